"""Text can be read in each theme and in 16 colours; nothing is told by colour alone.

Contrast as WCAG 2.2 defines it (1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for what is drawn; relative luminance as in
its glossary), worked here from that definition.
"""

from __future__ import annotations

import itertools

import pytest
from rich.color import Color as RichColor
from rich.color import ColorSystem
from textual.color import Color

from tests.builders import make_store
from tests.tui.harness import app_on, press, screen_text, settle
from tui.theme import LINE_COLOURS, THEMES

TEXTS = ("foreground", "sky", "attention", "quiet")
GROUNDS = ("background", "panel", "chosen")


def colour(theme, name: str) -> str:
    return theme.variables.get(name) or getattr(theme, name)


def luminance(text: str) -> float:
    def linear(part: int) -> float:
        share = part / 255
        return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4

    of = Color.parse(text)
    return 0.2126 * linear(of.r) + 0.7152 * linear(of.g) + 0.0722 * linear(of.b)


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_the_measure_itself():
    """Black on white is 21 to 1 and #777777 on white 4.48, just short of enough (WCAG 2.2 itself; common practice)."""
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#777777", "#FFFFFF") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
@pytest.mark.parametrize(("text", "ground"), itertools.product(TEXTS, GROUNDS))
def test_text_can_be_read(theme, text, ground):
    assert contrast(colour(theme, text), colour(theme, ground)) >= 4.5


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_lines_of_a_plot_can_be_seen(theme):
    for line in LINE_COLOURS[theme.name]:
        assert contrast(line, theme.background) >= 3.0


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
@pytest.mark.parametrize(("text", "ground"), itertools.product(TEXTS, GROUNDS))
def test_sixteen_colours_keep_text_apart_from_its_ground(theme, text, ground):
    """What a terminal of 16 colours makes of them, by the nearest one."""
    numbers = [RichColor.parse(colour(theme, n)).downgrade(ColorSystem.STANDARD).number for n in (text, ground)]
    assert numbers[0] != numbers[1]


async def test_without_colour_marks_cursor_and_doubts_still_show(tmp_path, monkeypatch):
    """NO_COLOR: the cursor's sign, the mark, the sign of a suspect run and the chosen part are signs and words."""
    monkeypatch.setenv("NO_COLOR", "1")
    library = make_store(tmp_path, runs=3, samples=60)
    library.runs.edit([2], {"quality": "suspect"}, reason="a loose plug")
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert app.no_color
        await press(pilot, "space")
        rows = [row for row in screen_text(app).splitlines() if "PB-0" in row]
        assert "●" in rows[0]
        assert rows[1].startswith(" ▌")
        assert rows[1].rstrip().endswith("!")
        segments = [s for strip in app.screen._compositor.render_strips() for s in strip if s.style]
        seen = {c for s in segments for c in (s.style.color, s.style.bgcolor) if c is not None and c.triplet}
        assert all(c.triplet.red == c.triplet.green == c.triplet.blue for c in seen)


@pytest.mark.parametrize(
    "keys",
    [(), ("enter",), ("D",), ("D", "enter"), ("D", "e", "enter"), ("p",), ("e",), ("question_mark",), ("s",),
     ("i", "escape")],
)  # fmt: skip
async def test_every_place_has_ascii_signs(tmp_path, keys):
    app = app_on(make_store(tmp_path, runs=2, samples=60), encoding="ascii")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, *keys)
        text = screen_text(app)
        assert text.isascii(), {c for c in text if not c.isascii()}
