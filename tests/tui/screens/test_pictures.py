"""Every place as text, at the floor's size and wide, full, empty and with an error, against the pictures kept here.

A picture that changed is a question: `JOULEBOOK_WRITE_PICTURES=1 pytest tests/tui/screens/test_pictures.py` writes them
anew; look at the difference before you commit it. Text and not SVG: a difference can be read in a review, and another
Textual does not change them all. Colours have tests of their own.
"""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path

import pytest
from textual.widgets import Input

from store import Library
from store.devices.sheet_reader import read_sheet
from store.runs.result_store import ResultStore
from tests.builders import ONE_CLAIM, make_store
from tests.tui.harness import app_on, press, screen_text, settle
from tui.screens.choose import ChooseScreen
from tui.screens.imports import ImportScreen
from tui.state import answer

PICTURES = Path(__file__).parent.parent / "pictures"
SIZES = [(80, 24), (160, 45)]
EXPORT = "Time [s],Voltage [V],Current [A]\n" + "".join(f"{i},{20 + i % 3 / 1000:.3f},1.500\n" for i in range(40))
ASKS = "wann,a,b\n" + "".join(f"{i},{20 + i % 3 / 1000:.3f},{1.5 + i % 5 / 1000:.3f}\n" for i in range(40))

QUESTION = "SELECT run_id, device, mode, energy_wh, duration_s FROM runs ORDER BY run_id"
NEED = """
kind = "power bank"
"""

FULL: dict[str, tuple[str, ...]] = {
    "runs": (),
    "pick": ("p",),
    "help": ("question_mark",),
    "edit": ("e",),
    "run": ("enter",),
    "compare": ("space", "space", "c"),
    "devices": ("D",),
    "sheet": ("D", "e"),
    "fields": ("D", "e", "c"),
    "device": ("D", "enter"),
    "side": ("D", "space", "space", "c"),
    "why": ("enter", "enter"),
    "guide": ("f1",),
    "bench": ("b", "enter", "enter", "ctrl+s", "escape"),
    "actions": ("ctrl+p",),
    "actions-typed": ("ctrl+p", *"me"),
    "constants": ("ctrl+p", *"constants", "enter", "j"),
    "meters-none": ("ctrl+p", *"meters", "enter"),
    "matches": ("ctrl+p", *"events of", "enter"),
    "group": ("space", "space", "ctrl+p", *"group", "enter"),
    "delete": ("space", "space", "ctrl+p", *"delete", "enter", *"twice", "ctrl+s"),
}
"""Keys from the list of runs to each place whose picture holds no time of day."""


def compare(app, name: str, size: tuple[int, int]) -> list[str]:
    """Compare what is on screen with its picture; gives the name where they differ."""
    path = PICTURES / f"{name}-{size[0]}x{size[1]}.txt"
    drawn = "\n".join(row.rstrip() for row in screen_text(app).splitlines()) + "\n"
    if os.environ.get("JOULEBOOK_WRITE_PICTURES"):
        path.write_text(drawn, encoding="utf-8", newline="\n")
    kept = path.read_text(encoding="utf-8") if path.exists() else ""
    if kept == drawn:
        return []
    print(f"--- {path.name} as kept\n{kept}\n--- as drawn\n{drawn}")
    return [path.name]


async def home(pilot) -> None:
    await press(pilot, "escape", "escape", "f2", "x", "g")


@pytest.fixture(autouse=True)
def _without_chance(monkeypatch: pytest.MonkeyPatch) -> None:
    """A trace's place and the time that an answer took are other ones each time."""
    redo_sql, counted = ResultStore.redo_sql, answer.counted

    def with_a_place(self: ResultStore, run_id: int, name: str) -> str:
        return re.sub(r"'[^']*\.parquet'", "'store/traces/runs/0123456789abcdef.parquet'", redo_sql(self, run_id, name))

    monkeypatch.setattr(ResultStore, "redo_sql", with_a_place)
    monkeypatch.setattr(answer, "counted", lambda found: counted(replace(found, elapsed_s=0.012)))


@pytest.fixture
def library(tmp_path, monkeypatch) -> Library:
    monkeypatch.chdir(tmp_path)
    found = make_store(tmp_path, runs=6)
    for device in ("PB-01", "PB-02"):
        found.devices.save(read_sheet(ONE_CLAIM.format(device=device)).sheet, who="a tester")
    return found


@pytest.mark.parametrize("size", SIZES)
async def test_full(library, size):
    app = app_on(library)
    differing: list[str] = []
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        for name, keys in FULL.items():
            await press(pilot, *keys)
            differing += compare(app, name, size)
            await home(pilot)
        await press(pilot, "i", "escape")
        assert isinstance(app.screen, ImportScreen)
        for name, text in (("a.csv", EXPORT), ("b.csv", ASKS)):
            Path(name).write_text(text)  # noqa: ASYNC240 (a few bytes)
        app.screen.take_paths([Path("a.csv"), Path("b.csv")])
        await settle(pilot)
        await settle(pilot)
        await press(pilot, "j")
        differing += compare(app, "import", size)
    assert differing == []


@pytest.mark.parametrize("size", SIZES)
async def test_a_question_and_a_need_with_their_answers(library, size):
    """Ask with a question, its answer and a column drawn; Choose with what the need leaves."""
    app = app_on(library)
    differing: list[str] = []
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        await press(pilot, "s")
        app.screen.area.text = QUESTION
        await press(pilot, "ctrl+r")
        differing += compare(app, "query", size)
        Path("need.toml").write_text(NEED)  # noqa: ASYNC240 (a few bytes)
        app.push_screen(ChooseScreen(Path("need.toml")))
        await settle(pilot)
        differing += compare(app, "choose", size)
    assert differing == []


@pytest.mark.parametrize("size", SIZES)
async def test_empty(tmp_path, size):
    app = app_on(Library.create(tmp_path / "store", zone="UTC", who="tester"))
    differing: list[str] = []
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        for name, keys in {"runs": (), "devices": ("D",), "import": ("i", "escape"), "sheet": ("D", "a")}.items():
            await press(pilot, *keys)
            differing += compare(app, f"{name}-empty", size)
            await home(pilot)
    assert differing == []


@pytest.mark.parametrize("size", SIZES)
async def test_with_an_error(library, size):
    """A wrong filter word, a question that can't be asked, a fact that can't be, a sheet that is wrong."""
    app = app_on(library)
    differing: list[str] = []
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        app.screen.filter_input.put("prot:C1")
        await settle(pilot)
        differing += compare(app, "runs-error", size)
        app.screen.filter_input.put("")
        await settle(pilot)
        await press(pilot, "e")
        app.screen.query_one("#edit-ambient_c", Input).value = "warm"
        await press(pilot, "ctrl+s")
        differing += compare(app, "edit-error", size)
        await home(pilot)
        await press(pilot, "s")
        app.screen.area.text = "select nosuch from runs"
        await press(pilot, "ctrl+r")
        differing += compare(app, "query-error", size)
        await press(pilot, "escape", "D", "e", "enter")
        app.screen.query_one("#field-kind", Input).value = "powr bank"
        await press(pilot, "ctrl+s", "ctrl+s", "ctrl+s")
        differing += compare(app, "sheet-error", size)
    assert differing == []
