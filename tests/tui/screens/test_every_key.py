"""Every key of every place does what its words say.

One check per entry of the table of keys, found by its id: a key without a check fails here. Each name of a key (`j` and
the arrow) is pressed, on one app per place.
"""

# ruff: noqa: ASYNC240, ASYNC110 (files of a few bytes in a folder of the test's own; the app is watched from outside)
from __future__ import annotations

import asyncio
import shutil
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from textual.containers import VerticalScroll
from textual.pilot import Pilot
from textual.widgets import Input

from importers.schema import Facts, TraceEvent
from store import Library
from store.devices.sheet_reader import read_sheet
from store.model.document import Document, Paragraph
from store.model.records import Meter
from tests.builders import ONE_CLAIM, feed, make_run, write_export
from tests.tui.harness import app_on, press, screen_text, settle
from tui.app import JoulebookApp
from tui.keys import KEYS, PLACES, Key, keys_of
from tui.screens.action_form import ActionFormScreen
from tui.screens.action_page import ActionPageScreen
from tui.screens.actions import ActionsScreen
from tui.screens.bench import BenchScreen
from tui.screens.choose import ChooseScreen
from tui.screens.compare import CompareScreen
from tui.screens.device import DeviceScreen
from tui.screens.devices import DevicesScreen
from tui.screens.edit import EditScreen
from tui.screens.facts import FactsScreen
from tui.screens.fields import FieldsScreen
from tui.screens.guide import GuideScreen
from tui.screens.help import HelpScreen
from tui.screens.imports import ImportScreen
from tui.screens.listing import ListingScreen
from tui.screens.pick import PickScreen
from tui.screens.prompt import PromptScreen
from tui.screens.query import QueryScreen
from tui.screens.run import RunScreen
from tui.screens.runs import RunsScreen
from tui.screens.sheet import SheetScreen
from tui.screens.side_by_side import SideBySideScreen
from tui.screens.why import WhyScreen
from tui.state.actions.model import UndoCall
from tui.state.actions.table import action_named
from tui.state.pick_list import PickEntry, PickList
from tui.widgets.column_plot import ColumnPlot
from tui.widgets.result_table import ResultTable

NEED = """
kind = "power bank"
"""
EXPORT = "Time [s],Voltage [V],Current [A]\n" + "".join(f"{i},{20 + i % 3 / 1000:.3f},1.500\n" for i in range(40))
ASKS = "wann,a,b\n" + "".join(f"{i},{20 + i % 3 / 1000:.3f},{1.5 + i % 5 / 1000:.3f}\n" for i in range(40))


@pytest.fixture
def library(template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Library:
    """A library of its own for each test. The working folder is empty."""
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    shutil.copytree(template, tmp_path / "store")
    return Library.open(tmp_path / "store")


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Thirty short runs of three devices; the newest run has 600 samples and events."""
    place = tmp_path_factory.mktemp("every-key")
    found = Library.create(place / "store", zone="UTC", who="tester")
    for device in ("PB-01", "PB-02", "PB-03"):
        found.devices.save(read_sheet(ONE_CLAIM.format(device=device)).sheet, who="a tester")
    exports = place / "exports"
    exports.mkdir()
    events = (TraceEvent("gap", 100.0, 110.0, 10.0, "s", ""), TraceEvent("pause", 300.0, 310.0, 10.0, "s", ""))
    with found.imports.batch() as batch:
        for number in range(31):
            is_last = number == 30
            facts = Facts(
                device="PB-01" if is_last else f"PB-0{number % 3 + 1}", port=("C1", "C2")[number % 2],
                mode="fixed 20 V", kind="discharge", load="30 W", ambient_c=22.0, meter=None if is_last else "M1",
            )  # fmt: skip
            export = write_export(exports, f"{number}.csv")
            with batch.begin_import(export, facts) as job:
                batch.commit(
                    job,
                    feed(
                        job,
                        export.name,
                        {None: make_run(600) if is_last else make_run(60, seed=number)},
                        started_at=datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=59 if is_last else number),
                        events=events if is_last else (),
                    ),
                )
    return place / "store"


@dataclass
class At:
    """Where a check stands."""

    pilot: Pilot[None]
    app: JoulebookApp
    library: Library

    @property
    def screen(self):
        return self.app.screen

    async def press(self, *keys: str) -> None:
        await press(self.pilot, *keys)

    def text(self) -> str:
        return screen_text(self.app)

    async def leave(self, screen: type) -> None:
        """Go back until a screen of this type is on top."""
        for _ in range(6):
            if type(self.app.screen) is screen:
                return
            await self.press("escape")
        raise AssertionError(f"no way back to {screen.__name__} from {self.app.screen}")


Check = Callable[[At, str], Awaitable[None]]
CHECKS: dict[str, Check] = {}


def checks(*ids: str) -> Callable[[Check], Check]:
    def keep(check: Check) -> Check:
        CHECKS.update(dict.fromkeys(ids, check))
        return check

    return keep


def opens(id: str, screen: type, title: str = "", home: type = RunsScreen) -> None:  # noqa: A002
    """A key that opens another screen, which Esc leaves."""

    @checks(id)
    async def check(at: At, key: str) -> None:
        await at.press(key)
        assert isinstance(at.screen, screen)
        assert title in at.text()
        await at.leave(home)


def moves(
    place: str, step: str, back: str, where: Callable[[At], float], ids: tuple[str, str] = ("down", "up")
) -> None:
    """A key that moves something on, and one that moves it back."""

    @checks(f"{place}.{ids[0]}")
    async def forth(at: At, key: str) -> None:
        before = where(at)
        await at.press(key)
        assert where(at) > before
        await at.press(back)
        assert where(at) == pytest.approx(before)

    @checks(f"{place}.{ids[1]}")
    async def and_back(at: At, key: str) -> None:
        before = where(at)
        await at.press(step)
        assert where(at) > before
        await at.press(key)
        assert where(at) == pytest.approx(before)


# everywhere
opens("everywhere.help", HelpScreen, "Open the run under the cursor")
opens("everywhere.devices", DevicesScreen)
opens("everywhere.query", QueryScreen)
opens("everywhere.actions", ActionsScreen, "type what you want to do")
opens("everywhere.guide", GuideScreen, "Filter words")


@checks("everywhere.back")
async def _(at: At, key: str) -> None:
    await at.press("D", key)
    assert isinstance(at.screen, RunsScreen)
    await at.press("slash", *"C1", key)
    assert at.app.focused is at.screen.paged_list
    assert at.screen.filter_input.value == "C1"
    await at.press(key)
    assert at.screen.filter_input.value == ""
    await at.press(key, key)
    assert at.app.is_running


@checks("everywhere.runs")
async def _(at: At, key: str) -> None:
    await at.press("D", "enter", key)
    assert isinstance(at.screen, RunsScreen)


@checks("everywhere.import", "runs.import")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert isinstance(at.screen, PromptScreen)
    await at.press("escape")
    assert isinstance(at.screen, ImportScreen)
    await at.press("escape")


@checks("everywhere.theme")
async def _(at: At, key: str) -> None:
    before = at.app.theme
    await at.press(key)
    assert {before, at.app.theme} == {"joulebook-dark", "joulebook-light"}
    await at.press(key)
    assert at.app.theme == before


@checks("everywhere.settings")
async def _(at: At, key: str) -> None:
    await at.press(key, *"strips", "enter", *"ascii", "enter")
    assert isinstance(at.screen, RunsScreen)
    assert screen_text(at.app).isascii()
    await at.press(key, *"strips", "enter", *"auto", "enter")
    assert not screen_text(at.app).isascii()
    await at.press(key, *"theme", "enter", *"light", "enter")
    assert at.app.theme == "joulebook-light"
    await at.press(key, *"theme", "enter", *"dark", "enter")
    assert at.app.theme == "joulebook-dark"


# runs
opens("runs.open", RunScreen, "PB-01 C1 fixed 20 V")
opens("runs.query", QueryScreen)
opens("runs.devices", DevicesScreen)
opens("runs.edit", EditScreen, "facts of run")
moves("runs", "j", "k", lambda at: at.app.run_list.cursor)
moves("runs", "pagedown", "pageup", lambda at: at.app.run_list.cursor, ("page_down", "page_up"))


@checks("runs.filter")
async def _(at: At, key: str) -> None:
    await at.press(key, *"port", "colon", *"C2")
    assert "15 of 31" in at.text()
    await at.press("escape", "escape")


@checks("runs.port", "runs.mode", "runs.device", "runs.kind")
async def _(at: At, key: str) -> None:
    field = {"p": "port", "m": "mode", "d": "device", "t": "kind"}[key]
    await at.press(key)
    assert isinstance(at.screen, PickScreen)
    picked, counted = at.screen.model.choices[0].value, at.screen.model.choices[0].detail
    await at.press("space", "enter")
    value = f'"{picked}"' if " " in picked else picked
    assert at.app.run_list.filter_text == f"{field}:{value}"
    assert f"{counted} of 31" in at.text()
    await at.press("escape")


@checks("runs.mark")
async def _(at: At, key: str) -> None:
    run = at.app.run_list.run_id()
    await at.press(key)
    assert list(at.app.run_list.marks) == [run]
    assert "1 marked" in at.text()
    assert at.app.run_list.cursor == 1
    await at.press("k", key)
    assert not at.app.run_list.marks


@checks("runs.clear")
async def _(at: At, key: str) -> None:
    await at.press("space", "space", key)
    assert not at.app.run_list.marks
    assert "marked" not in at.text()


@checks("runs.compare")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert "mark two runs" in at.text()
    await at.press("space", "space", key)
    assert isinstance(at.screen, CompareScreen)
    await at.press("escape", "x")


@checks("runs.sort")
async def _(at: At, key: str) -> None:
    await at.press(key, *"Wh", "enter")
    assert at.app.run_list.sort == "energy_wh"
    values = [at.app.run_list.row(i)["energy_wh"] for i in range(31)]
    assert values == sorted(values)
    at.app.run_list.sort = "-started_at"
    at.screen.read_list(stays=False)
    await settle(at.pilot)


@checks("runs.turn")
async def _(at: At, key: str) -> None:
    first = at.app.run_list.run_id(0)
    await at.press(key)
    assert at.app.run_list.run_id(at.app.run_list.shown - 1) == first
    await at.press(key)
    assert at.app.run_list.run_id(0) == first


@checks("runs.columns")
async def _(at: At, key: str) -> None:
    before = at.app.run_list.columns
    await at.press(key, *"samples", "space", "enter")
    assert set(at.app.run_list.columns) == {*before, "samples"}
    assert at.app.run_list.row(0)["samples"] == 600
    at.app.run_list.choose_columns(before)


@checks("runs.undo", "run.undo")
async def _(at: At, key: str) -> None:
    run = at.app.run_list.run_id()
    before = at.library.runs.get(run).facts.port
    await at.press("e")
    at.screen.query_one("#edit-port", Input).value = "C9"
    await at.press("ctrl+s")
    assert at.library.runs.get(run).facts.port == "C9"
    await at.press(key)
    assert at.library.runs.get(run).facts.port == before
    assert "undone" in at.text()
    await at.press(key)
    assert "nothing to undo" in at.text()


@checks("runs.first", "runs.last", "devices.first", "devices.last")
async def _(at: At, key: str) -> None:
    await at.press("j")
    last = at.screen.paged_list.count - 1
    await at.press(key)
    assert at.screen.paged_list.cursor == (last if key in {"G", "end"} else 0)
    await at.press("g")


# run
opens("run.why", WhyScreen, home=RunScreen)
opens("run.edit", EditScreen, "facts of run", home=RunScreen)
moves("run", "j", "k", lambda at: at.screen.paged_list.cursor)
moves("run", "right", "left", lambda at: at.screen.model.cursor_s, ("right", "left"))
moves("run", "L", "H", lambda at: at.screen.model.cursor_s, ("right_far", "left_far"))


@checks("run.voltage", "run.current", "run.power", "run.temperature")
async def _(at: At, key: str) -> None:
    channel = {"v": "voltage_v", "i": "current_a", "w": "power_w", "t": "temperature_c"}[key]
    before = list(at.screen.model.channels)
    await at.press(key)
    assert (channel in at.screen.model.channels) is (channel not in before)
    await at.press(key)
    assert set(at.screen.model.channels) == set(before)


@checks("run.other")
async def _(at: At, key: str) -> None:
    before = list(at.screen.model.channels)
    await at.press(key)
    assert isinstance(at.screen, PickScreen)
    assert {c.value for c in at.screen.model.choices} == {"voltage_v", "current_a", "power_w", "temperature_c"}
    await at.press(*"volt", "space", "enter")
    assert set(at.screen.model.channels) == {*before, "voltage_v"}
    at.screen.model.channels = before


@checks("run.zoom_in", "run.zoom_out")
async def _(at: At, key: str) -> None:
    whole = at.screen.model.span_s
    if key == "minus":
        await at.press("plus", "plus")
    before = at.screen.model.span_s
    await at.press(key)
    assert at.screen.model.span_s == pytest.approx(before * (2 if key == "minus" else 0.5))
    await at.press("0")
    assert at.screen.model.span_s == whole


@checks("run.whole")
async def _(at: At, key: str) -> None:
    await at.press("plus", "right", "plus", key)
    assert (at.screen.model.from_s, at.screen.model.to_s) == at.screen.model.run_span_s


@checks("run.event", "run.event_back")
async def _(at: At, key: str) -> None:
    times = sorted({e.from_s for e in at.screen.model.view.events})
    at.screen.model.cursor_s = 200.0
    await at.press(key)
    wanted = min(t for t in times if t > 200) if key == "n" else max(t for t in times if t < 200)
    assert at.screen.model.cursor_s == wanted
    at.screen.model.cursor_s = 0.0


@checks("run.next", "run.previous")
async def _(at: At, key: str) -> None:
    first, second = at.app.run_list.run_id(0), at.app.run_list.run_id(1)
    await at.press("right_square_bracket")
    if key == "left_square_bracket":
        assert at.screen.model.view.facts.run_id == second
        await at.press(key)
        assert at.screen.model.view.facts.run_id == first
        await at.press(key)
        assert "no further run" in at.text()
    else:
        assert at.screen.model.view.facts.run_id == second
        await at.press("left_square_bracket")


@checks("run.part", "run.part_back")
async def _(at: At, key: str) -> None:
    seen = [at.screen.model.part]
    for _ in range(5):
        await at.press(key)
        seen.append(at.screen.model.part)
    assert seen[0] == seen[-1] == "results"
    assert seen[1] == ("facts" if key == "tab" else "origin")
    assert len(set(seen)) == 5


# compare
moves("compare", "j", "k", lambda at: at.screen.paged_list.cursor)


@checks("compare.voltage", "compare.current", "compare.power", "compare.temperature")
async def _(at: At, key: str) -> None:
    words = {"v": "voltage in V", "i": "current in A", "w": "power in W", "t": "temperature in °C"}[key]
    await at.press(key)
    assert words in at.text()


@checks("compare.origin")
async def _(at: At, key: str) -> None:
    assert "from load applied" in at.text()
    await at.press(key)
    assert "from the clock" in at.text()
    first, last = at.screen.model.span_s()
    assert last - first > 86400
    await at.press(key)


# devices
opens("devices.open", DeviceScreen, "PB-01", home=DevicesScreen)
moves("devices", "j", "k", lambda at: at.screen.paged_list.cursor)


@checks("devices.runs", "device.runs")
async def _(at: At, key: str) -> None:
    home = at.screen
    await at.press(key)
    assert isinstance(at.screen, RunsScreen)
    assert at.screen.filter_input.value == "device:PB-01"
    assert "11 of 31" in at.text()
    await at.press("escape", "D", *(["enter"] if isinstance(home, DeviceScreen) else []))


opens("devices.sheet", SheetScreen, "Sheet of PB-01", home=DevicesScreen)
opens("devices.new", SheetScreen, "Sheet of a new device", home=DevicesScreen)
opens("device.sheet", SheetScreen, "Sheet of PB-01", home=DeviceScreen)


@checks("devices.mark")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert at.screen.model.marked == {"PB-01"}
    await at.press("g", key)
    assert not at.screen.model.marked


@checks("devices.compare", "device.compare")
async def _(at: At, key: str) -> None:
    home = type(at.screen)
    await at.press(key)
    assert isinstance(at.screen, SideBySideScreen)
    assert {"PB-01", "PB-02", "PB-03"} <= set(at.text().replace(",", " ").split())
    await at.leave(home)


# side by side
moves("side", "j", "k", lambda at: at.screen.query_one(VerticalScroll).scroll_offset.y)


@checks("device.why")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert isinstance(at.screen, PickScreen)
    await at.press("enter")
    assert isinstance(at.screen, WhyScreen)
    assert "PB-01" in at.text()
    await at.leave(DeviceScreen)


@checks("side.order")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert isinstance(at.screen, PickScreen)
    wanted = at.screen.model.choices[1].label
    await at.press("down", "enter")
    assert isinstance(at.screen, SideBySideScreen)
    assert wanted in at.text()


@checks("side.runs")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert isinstance(at.screen, RunsScreen)
    assert at.screen.filter_input.value == "device:PB-01,PB-02"
    await at.press("escape")
    await arrive(at, "side")


@checks("side.publish")
async def _(at: At, key: str) -> None:
    await at.press(key)
    at.screen.query_one(Input).value = "both"
    await at.press("enter", "enter")
    assert list(Path("both").rglob("*.html"))


# sheet
moves("sheet", "j", "k", lambda at: at.screen.paged_list.cursor)


@checks("sheet.first", "sheet.last")
async def _(at: At, key: str) -> None:
    await at.press("j", key)
    assert at.screen.paged_list.cursor == (at.screen.paged_list.count - 1 if key in {"G", "end"} else 0)
    await at.press("g")


@checks("sheet.write")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert isinstance(at.screen, FieldsScreen)
    assert at.app.focused.id == "field-device"
    await at.press("escape")


@checks("sheet.port", "sheet.claim", "sheet.mark")
async def _(at: At, key: str) -> None:
    name = {"p": "port", "c": "claim", "m": "mark"}[key]
    before = at.screen._draft.counts[name]
    await at.press(key, *"X9", "ctrl+s", "ctrl+s")
    assert isinstance(at.screen, SheetScreen)
    assert at.screen._draft.counts[name] == before + 1
    await at.press("u")
    assert at.screen._draft.counts[name] == before


@checks("sheet.drop", "sheet.undo")
async def _(at: At, key: str) -> None:
    place = next(i for i, row in enumerate(at.screen._rows) if row.place == ("port", 0))
    at.screen.paged_list.move_to(place)
    before = at.screen._draft.counts["port"]
    await at.press("x")
    assert at.screen._draft.counts["port"] == before - 1
    await at.press("u")
    assert at.screen._draft.counts["port"] == before
    await at.press("g")


@checks("sheet.save")
async def _(at: At, key: str) -> None:
    at.screen.paged_list.move_to(0)
    await at.press("enter")
    at.screen.query_one("#field-note", Input).value = f"by {key}"
    await at.press("ctrl+s", key)
    assert at.library.devices.get("PB-01").note == f"by {key}"


@checks("devices.choose")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert isinstance(at.screen, PromptScreen)
    await at.press("escape")
    assert isinstance(at.screen, ChooseScreen)
    await at.press("escape")


# device
moves("device", "j", "k", lambda at: at.screen.query_one("#document").scroll_offset.y)


@checks("device.claim")
async def _(at: At, key: str) -> None:
    await at.press(key)
    if key != "1":
        assert f"no claim {key}" in at.text()
        return
    page = at.library.devices.page("PB-01")
    assert isinstance(at.screen, RunsScreen)
    assert at.screen.filter_input.value == "run:" + ",".join(map(str, page.verdicts[0].run_ids))
    await at.press("escape", "D", "enter")


@checks("device.next", "device.previous")
async def _(at: At, key: str) -> None:
    back = "left_square_bracket" if key == "right_square_bracket" else "right_square_bracket"
    await at.press(key)
    assert ("PB-02" if back == "left_square_bracket" else "PB-03") in at.text().splitlines()[0]
    await at.press(back)
    assert "PB-01" in at.text().splitlines()[0]


@checks("device.publish")
async def _(at: At, key: str) -> None:
    await at.press(key)
    at.screen.query_one(Input).value = "out"
    await at.press("enter")
    at.screen.query_one(Input).value = "A. Tester"
    await at.press("enter")
    assert list(Path("out").rglob("*.html"))


@checks("run.picture", "compare.picture", "device.picture", "side.picture")
async def _(at: At, key: str) -> None:
    """The file that is named is drawn; one that is there is asked about first."""
    await at.press(key)
    at.screen.query_one(Input).value = "drawn.png"
    await at.press("enter")
    first = Path("drawn.png").read_bytes()
    assert first.startswith(b"\x89PNG")
    Path("drawn.png").write_bytes(b"mine")
    for answer, content in (("no", b"mine"), ("yes", first)):
        await at.press(key)
        at.screen.query_one(Input).value = "drawn.png"
        await at.press("enter")
        at.screen.query_one(Input).value = answer
        await at.press("enter")
        assert Path("drawn.png").read_bytes() == content
    Path("drawn.png").unlink()


# choose
moves("choose", "j", "k", lambda at: at.screen.query_one("#document").scroll_offset.y)


@checks("choose.need")
async def _(at: At, key: str) -> None:
    Path("another.toml").write_text(NEED)
    await at.press(key)
    at.screen.query_one(Input).value = "another.toml"
    await at.press("enter")
    assert "another.toml" in at.text()


@checks("choose.scheme")
async def _(at: At, key: str) -> None:
    await at.press(key)
    at.screen.query_one(Input).value = "nowhere.toml"
    await at.press("enter")
    assert "nowhere.toml can't be read" in at.text()
    at.screen._scheme = None
    at.screen.library_changed()
    await settle(at.pilot)


# ask
@checks("query.run")
async def _(at: At, key: str) -> None:
    at.screen.area.text = "select count(*) as n from runs"
    await at.press(key)
    assert "1 row in" in at.text()
    assert "31" in at.text()


@checks("query.named")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert isinstance(at.screen, PickScreen)
    await at.press("enter")
    assert "select" in at.screen.area.text.lower()
    at.screen.area.text = ""


@checks("query.columns")
async def _(at: At, key: str) -> None:
    at.screen.area.text = "select "
    at.screen.area.move_cursor(at.screen.area.document.end)
    await at.press(key, *"energy_wh", "enter")
    assert at.screen.area.text == "select energy_wh"


@checks("query.keep")
async def _(at: At, key: str) -> None:
    at.screen.area.text = "select 1"
    await at.press(key, *"mine", "enter", "ctrl+n")
    assert "mine" in at.text()
    await at.press("escape")


@checks("query.older", "query.newer")
async def _(at: At, key: str) -> None:
    for sql in ("select 1 as a", "select 2 as b"):
        at.screen.area.text = sql
        await at.press("ctrl+r")
    at.screen.area.text = ""
    await at.press("ctrl+up", "ctrl+up")
    assert at.screen.area.text == "select 1 as a"
    if key == "ctrl+down":
        await at.press(key)
        assert at.screen.area.text == "select 2 as b"


@checks("query.draw")
async def _(at: At, key: str) -> None:
    at.screen.area.text = "select run_id, energy_wh from runs"
    await at.press("ctrl+r", key, *"energy", "enter", "enter")
    assert at.screen.query(ColumnPlot)
    assert "energy_wh over run_id" in at.text()
    await at.press("escape")
    assert not at.screen.query(ColumnPlot)


@checks("query.save")
async def _(at: At, key: str) -> None:
    at.screen.area.text = "select 7 as n"
    await at.press("ctrl+r", key)
    at.screen.query_one(Input).value = "kept.csv"
    await at.press("enter")
    assert Path("kept.csv").read_text().split() == ["n", "7"]


@checks("query.switch")
async def _(at: At, key: str) -> None:
    at.screen.area.text = "select 1"
    await at.press("ctrl+r", key)
    assert isinstance(at.app.focused, ResultTable)
    await at.press(key)
    assert at.app.focused is at.screen.area


# import
async def two_files(at: At) -> None:
    """A file that is sure and one that asks stand in the list."""
    if len(at.screen.model.entries) != 2:
        Path("a.csv").write_text(EXPORT)
        Path("b.csv").write_text(ASKS)
        at.screen.model.entries.clear()
        at.screen.take_paths([Path("a.csv"), Path("b.csv")])
        await settle(at.pilot)
        await settle(at.pilot)


@checks("import.path")
async def _(at: At, key: str) -> None:
    Path("c.csv").write_text(EXPORT.replace("20.00", "21.00"))
    await at.press(key, *"c.csv", "enter")
    assert [e.path.name for e in at.screen.model.entries] == ["c.csv"]


@checks("import.go")
async def _(at: At, key: str) -> None:
    await two_files(at)
    before = at.library.runs.page("").total
    await at.press(key)
    assert at.library.runs.page("").total == before + 1
    assert "imported as run" in at.text()


@checks("import.answer")
async def _(at: At, key: str) -> None:
    await two_files(at)
    await at.press("j")
    asked = at.screen.model.entries[1].questions[0]
    await at.press(key)
    assert isinstance(at.screen, PickScreen | PromptScreen)
    await at.press(*("1" if isinstance(at.screen, PromptScreen) else ()), "enter")
    assert asked.id in at.screen.model.entries[1].answers


@checks("import.facts")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert isinstance(at.screen, FactsScreen)
    at.screen.query_one("#facts-device", Input).value = "PB-02"
    await at.press("ctrl+s")
    assert "device PB-02" in at.text()


@checks("import.drop")
async def _(at: At, key: str) -> None:
    await two_files(at)
    await at.press("k", key)
    assert [e.path.name for e in at.screen.model.entries] == ["b.csv"]


@checks("import.left", "import.right")
async def _(at: At, key: str) -> None:
    await two_files(at)
    table = at.screen.model.table
    table.column = 2
    await at.press(key)
    assert table.name == ("port" if key in {"left", "h"} else "kind")


@checks("import.change")
async def _(at: At, key: str) -> None:
    await two_files(at)
    at.screen.model.table.column = 1
    await at.press("j", key)
    if isinstance(at.screen, PickScreen):
        await at.press(*"another", "enter")
    await at.press(*"C9", "enter")
    assert at.screen.model.entries[1].facts["port"] == "C9"
    assert "C9" in at.text()


@checks("import.fill")
async def _(at: At, key: str) -> None:
    await two_files(at)
    at.screen.model.entries[0].facts["meter"] = "M7"
    at.screen.model.table.column = 6
    at.screen.paged_list.move_to(0)
    await at.press(key)
    assert [e.facts["meter"] for e in at.screen.model.entries] == ["M7", "M7"]


@checks("import.take", "import.take_all")
async def _(at: At, key: str) -> None:
    Path("steady.csv").write_text(EXPORT.replace("20.00", "14.90"))
    at.screen.take_paths([Path("steady.csv")])
    await settle(at.pilot)
    await settle(at.pilot)
    at.screen.paged_list.move_to(len(at.screen.model.entries) - 1)
    await at.press(key)
    entry = at.screen.model.entries[-1]
    assert entry.facts["kind"] == "discharge"
    assert entry.facts["mode"] == "fixed 15 V"


@checks("import.join", "import.group")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert "look" in at.text()  # what is proposed is tested with logs that belong together


@checks("import.new_run")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert "no longer version" in at.text()


@checks("import.profile")
async def _(at: At, key: str) -> None:
    await two_files(at)
    at.screen.paged_list.move_to(0)
    await at.press(key, *"mine", "enter")
    assert (at.library.path / "profiles" / "mine.toml").is_file()


@checks("import.stop")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert at.screen._stop.is_set()


@checks("import.undo")
async def _(at: At, key: str) -> None:
    before = at.library.runs.page("").total
    await at.press(key)
    assert isinstance(at.screen, PickScreen)
    await at.press("down", "enter")
    assert at.library.runs.page("").total == before - 1


@checks("import.watch")
async def _(at: At, key: str) -> None:
    await at.press(key)
    at.screen.query_one(Input).value = str(Path.cwd())
    await at.press("enter")
    assert "watching" in at.text()
    await at.press(key)
    assert "no longer watching" in at.text()


@checks("import.down", "import.up")
async def _(at: At, key: str) -> None:
    await two_files(at)
    at.screen.paged_list.move_to(0 if key in {"j", "down"} else 1)
    await at.press(key)
    assert at.screen.paged_list.cursor == (1 if key in {"j", "down"} else 0)


# why
moves("why", "j", "k", lambda at: at.screen.query_one("#document").scroll_offset.y)


# bench
EXPORT_OF_BENCH = "Elapsed (s);Voltage (V);Current (A)\n" + "".join(f"{t};20.0{t % 10};1.5\n" for t in range(90))
TO_THE_BENCH = ("b", "enter", "enter", "ctrl+s", *"bench.csv", "enter")


async def until(at: At, words: str) -> None:
    """Wait for what a look at the export, or the filing, brings on screen."""
    async with asyncio.timeout(20):
        while words not in screen_text(at.app):
            at.screen._look()
            await settle(at.pilot)


@checks("runs.bench", "devices.bench", "device.bench")
async def _(at: At, key: str) -> None:
    place = type(at.screen)
    await at.press(key)
    assert isinstance(at.screen, PickScreen)
    await at.press("escape")
    assert isinstance(at.screen, BenchScreen)
    await at.press("escape")
    assert isinstance(at.screen, place)


@checks("bench.next")
async def _(at: At, key: str) -> None:
    await until(at, "88 samples")
    before = at.library.runs.page().total
    await at.press(key)
    await until(at, f"filed as run {before + 1}")
    assert at.library.runs.page().total == before + 1
    assert at.library.runs.get(before + 1).facts.device == "PB-01"
    await at.press(key, "enter", "ctrl+s")
    await until(at, "88 samples")


@checks("bench.tick")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert at.screen.plan.ticked == [0]


@checks("bench.note")
async def _(at: At, key: str) -> None:
    await at.press(key, *"fan off", "enter")
    assert at.screen.plan.notes == ["0:01:27 fan off"]


@checks("bench.facts")
async def _(at: At, key: str) -> None:
    await at.press(key, *"30 W", "ctrl+s")
    assert at.screen.plan.load.endswith("30 W")


@checks("bench.choose")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert isinstance(at.screen, PickScreen)
    await at.press("escape")


@checks("bench.import")
async def _(at: At, key: str) -> None:
    await at.press(key, "escape")
    assert isinstance(at.screen, ImportScreen)
    assert [entry.path.name for entry in at.screen.model.entries] == ["bench.csv"]
    await at.press("escape")


@checks("bench.watch", "bench.stop")
async def _(at: At, key: str) -> None:
    await at.press("x")
    assert at.screen.plan.watched == ""
    await at.press("w", *"bench.csv", "enter")
    await until(at, "88 samples")


# guide
moves("guide", "j", "k", lambda at: at.screen.query_one("#document").scroll_offset.y)
moves(
    "guide", "pagedown", "pageup", lambda at: at.screen.query_one("#document").scroll_offset.y, ("page_down", "page_up")
)
moves("guide", "right_square_bracket", "left_square_bracket", lambda at: at.screen.page, ("next", "previous"))


@checks("guide.choose")
async def _(at: At, key: str) -> None:
    before = at.screen.page
    await at.press(key, *"views", "enter")
    assert "Views and columns" in screen_text(at.app)
    await at.press(*["left_square_bracket"] * (at.screen.page - before))
    assert at.screen.page == before


# pick lists
moves("pick", "down", "up", lambda at: at.screen.model.cursor)


@checks("pick.toggle")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert at.screen.model.picked == ["a"]
    await at.press(key)
    assert at.screen.model.picked == []


@checks("pick.earlier", "pick.later")
async def _(at: At, key: str) -> None:
    await at.press(*(["down"] if key == "shift+up" else []), key)
    assert [c.value for c in at.screen.model.choices] == ["b", "a", "c"]
    await at.press("shift+down" if key == "shift+up" else "shift+up", "up")
    assert [c.value for c in at.screen.model.choices] == ["a", "b", "c"]


@checks("pick.rub_out")
async def _(at: At, key: str) -> None:
    await at.press("b", "b")
    assert at.screen.model.visible == []
    await at.press(key)
    assert [c.value for c in at.screen.model.visible] == ["b"]
    await at.press(key)
    assert len(at.screen.model.visible) == 3


@checks("pick.take", "pick.none")
async def _(at: At, key: str) -> None:
    got: list[object] = []
    model = PickList([PickEntry("x", "x"), PickEntry("y", "y")], ["y"])
    await at.app.push_screen(PickScreen("another", model), got.append)
    await settle(at.pilot)
    await at.press(key)
    assert got == [("y",) if key == "enter" else ()]


# lists of meters, constants, changes
moves("listing", "j", "k", lambda at: at.screen.paged_list.cursor)
moves("listing", "pagedown", "pageup", lambda at: at.screen.paged_list.cursor, ("page_down", "page_up"))
moves("listing", "end", "g", lambda at: at.screen.paged_list.cursor, ("last", "first"))
opens("listing.open", ActionFormScreen, "meter A0", home=ListingScreen)
opens("listing.add", ActionFormScreen, "a meter and its limits", home=ListingScreen)


@checks("listing.undo", "page.undo")
async def _(at: At, key: str) -> None:
    at.app.undo_steps.clear()
    at.library.meters.add(Meter("A0", "0.1%"))
    at.app.undo_steps.append(UndoCall("meter A0", lambda library: library.meters.add(Meter("A0", "0.2%"))))
    await at.press(key)
    assert next(m.voltage_spec for m in at.library.meters.all() if m.name == "A0") == "0.2%"
    assert "undone: meter A0" in at.text()


# a page of an action
moves("page", "j", "k", lambda at: at.screen.query_one("#document").scroll_offset.y)
moves(
    "page", "pagedown", "pageup", lambda at: at.screen.query_one("#document").scroll_offset.y, ("page_down", "page_up")
)


@checks("page.go_on")
async def _(at: At, key: str) -> None:
    await at.press(key)
    assert "nothing is left to do here" in at.text()
    done: list[int] = []
    at.app.push_screen(ActionPageScreen(Document("t", ()), goes_on=lambda: done.append(1)))
    await settle(at.pilot)
    await at.press(key)
    assert done == [1]


# actions
moves("actions", "down", "up", lambda at: at.screen.model.cursor)


@checks("actions.rub_out")
async def _(at: At, key: str) -> None:
    whole = len(at.screen.model.visible)
    await at.press(*"zz")
    assert at.screen.model.visible == []
    await at.press("enter")
    assert isinstance(at.screen, ActionsScreen), "an empty list has nothing to do"
    await at.press(key, key)
    assert len(at.screen.model.visible) == whole


@checks("actions.take")
async def _(at: At, key: str) -> None:
    await at.press(*"open run", key)
    assert isinstance(at.screen, RunScreen)
    await at.press("escape", "ctrl+p")


# editing facts
@checks("edit.pick")
async def _(at: At, key: str) -> None:
    at.screen.query_one("#edit-device").focus()
    await at.press(key)
    assert isinstance(at.screen, PickScreen)
    await at.press(*"PB-02", "enter")
    assert at.screen.query_one("#edit-device", Input).value == "PB-02"
    at.screen.query_one("#edit-note").focus()
    await at.press(key)
    assert "no values to pick" in at.text()


@checks("edit.next", "edit.previous")
async def _(at: At, key: str) -> None:
    at.screen.query_one("#edit-mode").focus()
    await at.press(key)
    assert at.app.focused.id == ("edit-kind" if key in {"down", "tab"} else "edit-port")


@checks("edit.enter")
async def _(at: At, key: str) -> None:
    at.screen.query_one("#edit-mode").focus()
    await at.press(key)
    assert at.app.focused.id == "edit-kind"


@checks("edit.save")
async def _(at: At, key: str) -> None:
    run = at.app.run_list.run_id()
    at.screen.query_one("#edit-note", Input).value = f"by {key}"
    await at.press(key)
    assert at.library.runs.get(run).facts.note == f"by {key}"
    assert isinstance(at.screen, RunsScreen)
    await at.press("e")


async def arrive(at: At, place: str) -> None:
    """Go to a place from the list of runs."""
    if place == "pick":
        model = PickList([PickEntry(v, v) for v in "abc"], is_ordered=True)
        at.app.push_screen(PickScreen("letters", model))
    elif place == "choose":
        Path("need.toml").write_text(NEED)
        at.app.push_screen(ChooseScreen(Path("need.toml")))
    elif place == "listing":
        for number in range(20):
            at.library.meters.add(Meter(f"A{number}", "0.1%"))
        at.app.push_screen(ListingScreen(action_named("meters")))
    elif place == "page":
        at.app.push_screen(ActionPageScreen(Document("page", tuple(Paragraph(f"line {n}") for n in range(60)))))
    elif place == "actions":
        await at.press("ctrl+p")
    else:
        Path("bench.csv").write_text(EXPORT_OF_BENCH)
        ways = {
            "run": ["enter"], "compare": ["space", "space", "c"], "devices": ["D"], "device": ["D", "enter"],
            "side": ["D", "space", "space", "c"], "sheet": ["D", "e"], "query": ["s"],
            "import": ["i", "escape"], "why": ["enter", "enter"], "guide": ["f1"], "edit": ["e"],
            "bench": TO_THE_BENCH,
        }  # fmt: skip
        await at.press(*ways.get(place, []))
    await settle(at.pilot)


def test_every_key_has_a_check():
    assert set(CHECKS) | {"everywhere.quit"} == {key.id for key in KEYS}


def pressed(key: Key) -> list[str]:
    return key.key.split(",")


@pytest.mark.parametrize("place", PLACES)
async def test_the_keys_of_a_place_do_what_they_say(library, place):
    """The place is small enough for everything to scroll."""
    app = app_on(library)
    async with app.run_test(size=(60, 15) if place == "choose" else (80, 18)) as pilot:
        await settle(pilot)
        at = At(pilot, app, library)
        await arrive(at, place)
        home = type(app.screen)
        for key in keys_of(place):
            for name in pressed(key):
                if key.id != "everywhere.quit":
                    try:
                        await CHECKS[key.id](at, name)
                        await settle(pilot)
                        await at.leave(home)
                    except Exception as error:
                        error.add_note(f"{key.id}: {name}: {key.tooltip}\n{screen_text(app)}")
                        raise


@pytest.mark.parametrize("name", ["q", "ctrl+q"])
async def test_the_key_that_quits_quits(library, name):
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press(name)
        while app.is_running:
            await asyncio.sleep(0.01)
