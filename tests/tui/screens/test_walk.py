"""Random keys, nonsense text, clicks and other sizes, in random order over every place: no exception, ever.

The seed is printed; `JOULEBOOK_SEED=123 pytest ... -m long` walks the same way again.
"""

from __future__ import annotations

import os
import random
from collections import Counter
from pathlib import Path

import pytest
from textual import events
from textual.pilot import OutOfBounds, Pilot
from textual.widgets import Input, TextArea

from importers.schema import TraceEvent
from store import Library
from store.devices.sheet_reader import read_sheet
from tests.builders import ONE_CLAIM, add_run, make_run, make_store, write_export
from tests.tui.harness import app_on, press, settle, strike
from tui.app import JoulebookApp
from tui.keys import KEYS, PLACES

LEAVING = {"leave"}
PRESSED = sorted({name for key in KEYS for name in key.key.split(",") if key.action not in LEAVING})
NONSENSE = (
    "wh>>", "port:", '"open', "-", "[/bold]", "[b]x", "\x1b[2J", "SELECT", "select * from runs;", "from samples",
    "drop table runs", "äß€", "漢字", "\u202eabc", "1e999", "nan", "../..", "~", "exports", "exports/log0000.csv",
    "x.csv", "x.parquet", "0", "-1", "99999999999999999999", "2026-02-30", "%", "\\", "''", ":", ",,", " " * 40,
)  # fmt: skip
SIZES = [(80, 24), (160, 45), (60, 20)]
OTHERS = [(40, 10), (1, 1), (300, 80), *SIZES]
WAYS: dict[str, tuple[str, ...]] = {
    "runs": (),
    "run": ("enter",),
    "why": ("enter", "enter"),
    "guide": ("f1",),
    "bench": ("b", "enter", "enter", "ctrl+s", "escape"),
    "compare": ("space", "space", "c"),
    "devices": ("D",),
    "device": ("D", "enter"),
    "side": ("D", "space", "space", "c"),
    "sheet": ("D", "e"),
    "choose": ("D", "n", "escape"),
    "query": ("s",),
    "import": ("i", "escape"),
    "listing": ("ctrl+p", *"constants", "enter"),
    "page": ("ctrl+p", *"files", "enter"),
    "actions": ("ctrl+p",),
    "pick": ("p",),
    "edit": ("e",),
}
"""Keys from the list of runs to each place."""


@pytest.fixture
def library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Library:
    """Runs of every length, the shortest among them, in a folder of their own: what the walk writes lands there."""
    monkeypatch.chdir(tmp_path)
    found = make_store(tmp_path, runs=40, samples=120)
    found.devices.save(read_sheet(ONE_CLAIM.format(device="PB-01")).sheet, who="a tester")
    events_of = (TraceEvent("gap", 10.0, 20.0, 10.0, "s", "invented"), TraceEvent("pause", 50.0, 50.0, None, "", ""))
    add_run(found, write_export(tmp_path, "many.csv"), make_run(3000), events=events_of)
    add_run(found, write_export(tmp_path, "one.csv"), make_run(1), started_at=None)
    return found


async def random_step(pilot: Pilot[None], rng: random.Random) -> str:
    """One thing that a person, a cat or a terminal may do."""
    app = pilot.app
    dice = rng.random()
    if dice < 0.70:
        name = rng.choice(PRESSED)
        await strike(pilot, name)
        return name
    if dice < 0.78:
        text = rng.choice(NONSENSE)
        for letter in text:
            if letter != "q" or isinstance(app.focused, (Input, TextArea)):  # elsewhere q leaves, as it should
                await strike(pilot, letter)
        return text
    if dice < 0.82:
        text = rng.choice(NONSENSE)
        app.post_message(events.Paste(text))
        return f"paste {text}"
    if dice < 0.90:
        place = (rng.randrange(app.size.width), rng.randrange(app.size.height))
        try:
            await (pilot.hover if rng.random() < 0.3 else pilot.click)(offset=place)
        except OutOfBounds:
            return "beside"
        return f"click {place}"
    if dice < 0.94:
        await pilot.resize_terminal(*rng.choice(OTHERS))
        return "resize"
    await strike(pilot, "escape")
    return "escape"


async def go(pilot: Pilot[None], place: str) -> None:
    """Go home and from there to a place, so that the walk comes to all of them."""
    await settle(pilot)
    await press(pilot, *("escape",) * 5, "f2", "escape", "escape", *WAYS[place])


async def walk(library: Library, steps: int, seed: int, size: tuple[int, int]) -> Counter[str]:
    """Take random steps; gives how often each place was on top."""
    print(f"JOULEBOOK_SEED={seed} at {size[0]}x{size[1]}")
    rng = random.Random(seed)
    app = app_on(library)
    seen: Counter[str] = Counter()
    taken: list[str] = []
    places = list(WAYS)
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        assert isinstance(app, JoulebookApp)
        for step in range(steps):
            if not app.is_running:
                raise AssertionError(f"the app ended after {taken[-12:]}")
            taken.append(await random_step(pilot, rng))
            seen[getattr(app.screen, "PLACE", type(app.screen).__name__)] += 1
            if step % 25 == 24:
                await settle(pilot)
            if step % 50 == 49:
                await pilot.resize_terminal(*size)
                await go(pilot, places[step // 50 % len(places)])
        await settle(pilot)
        assert app.is_running, f"the app ended after {taken[-12:]}"
    print(dict(seen))
    return seen


def a_seed() -> int:
    return int(os.environ.get("JOULEBOOK_SEED") or random.SystemRandom().randrange(10**9))


async def test_random_keys_do_no_harm(library):
    await walk(library, 60, a_seed(), (80, 24))


@pytest.mark.long
@pytest.mark.parametrize("size", SIZES)
async def test_random_keys_for_long_do_no_harm(library, size):
    """Also: the walk comes to every place."""
    seen = await walk(library, 2000, a_seed(), size)
    assert set(PLACES) - {"everywhere"} <= set(seen)


def test_the_walk_knows_a_way_to_every_place():
    assert set(WAYS) == set(PLACES) - {"everywhere"}
