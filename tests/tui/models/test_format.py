"""Numbers carry the digits that their uncertainty supports.

Rounding after the Particle Data Group's rule (Review of Particle Physics, Introduction, "Rounding"; from memory):
100 to 354 two digits, 355 to 949 one, 950 to 999 up to 1000 with two.
"""

from __future__ import annotations

import math

import pytest

from tui.render import format as fmt
from tui.render.plain import cut, fit, plain, width_of


@pytest.mark.parametrize(
    ("value", "u", "unit", "shown"),
    [
        (38.4012, 0.032, "Wh", "38.40 ± 0.06 Wh"),
        (0.827, 0.0595, "g", "0.83 ± 0.12 g"),
        (0.827, 0.1835, "g", "0.8 ± 0.4 g"),
        (1.926, None, "Ah", "1.926 Ah"),
        (None, 0.1, "V", ""),
        (math.nan, 0.1, "V", ""),
        (0.6231, 0.0006, "1", "0.6231 ± 0.0012"),
    ],
)
def test_a_reading_shows_what_its_uncertainty_supports(value, u, unit, shown):
    assert fmt.reading(value, u, unit) == shown


def test_points_stand_under_one_another():
    assert fmt.align_on_point(["1.5", "22", "0.125"]) == [" 1.5  ", "22    ", " 0.125"]


@pytest.mark.parametrize(("s", "shown"), [(37.0, "0:00:37"), (3600, "1:00"), (5430, "1:30"), (None, ""), (0, "0:00")])
def test_durations(s, shown):
    assert fmt.hours_minutes(s) == shown


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("I [mA]", "I [mA]"),
        ("[/bad]", "[/bad]"),
        ("a\x1b[31mred", "a␛[31mred"),
        ("x\ny\tz\x00", "x␊y␉z␀"),
        ("\x9b2J", "\\x9b2J"),
        ("a\u202eb", "a\\u202eb"),
        (None, ""),
    ],
)
def test_text_is_literal_and_harmless(text, shown):
    assert plain(text) == shown


def test_ascii_only_terminals_get_ascii():
    assert plain("5 °C ± 1 Ω ✓", ascii_only=True).isascii()


def test_widths_count_cells():
    assert width_of("電圧") == 4
    assert cut("電圧計", 5) == "電圧…"
    assert fit("ab", 5, right=True) == "   ab"


@pytest.mark.parametrize(
    ("code", "shown"),
    [
        ("%d.%m.%Y %H:%M:%S%.f", "DD.MM.YYYY hh:mm:ss.fff"),
        ("%Y-%m-%dT%H:%M:%S%z", "YYYY-MM-DDThh:mm:ss\u00b1hh:mm"),
        ("%m/%d/%y %I:%M %p", "MM/DD/YY hh:mm am/pm"),
        ("h:m:s", "h:m:s"),
        ("%", "%"),
        ("ms", "ms"),
    ],
)
def test_a_clock_reads_as_people_write_it(code: str, shown: str):
    """Letters of ISO 8601-1:2019, 3.2 (from memory)."""
    assert fmt.clock_form(code) == shown
