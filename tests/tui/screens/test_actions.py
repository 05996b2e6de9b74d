"""Everything that the command line does to a library is found in the list of actions by its words, and done there.

What an action did is read back from the library or from files, never from the screen alone.
"""

# ruff: noqa: ASYNC240 (files of a few bytes in a folder of the test's own)
from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pyarrow.csv
import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from importers.schema import Facts
from store import Library
from store.devices.sheet_reader import read_sheet
from store.model.records import Meter
from tests.builders import ONE_CLAIM, add_run, make_run, make_store, write_export
from tests.tui.harness import app_on, press, screen_text, settle
from tui.app import JoulebookApp
from tui.cli.registry import COMMANDS
from tui.keys import KEYS
from tui.screens.action_form import ActionFormScreen
from tui.screens.action_page import ActionPageScreen
from tui.screens.actions import ActionsScreen, action_entries
from tui.screens.listing import ListingScreen
from tui.screens.run import RunScreen
from tui.screens.runs import RunsScreen
from tui.state.action_list import ActionList
from tui.state.actions.model import Subject, Unfit, runs_in
from tui.state.actions.table import ACTIONS, BY_KEY, NOT_ON_SCREEN, commands_done

# Words that a tester types, each with the action that should be the first offered for it.
WORDS = {
    "delete": "delete", "erase": "delete", "group": "group", "meter": "meters", "threshold": "constants",
    "trip": "constants", "export": "export", "csv": "export", "note": "note", "profile": "profiles", "join": "join",
    "split": "part", "pair": "pair", "calibration": "calibrations", "backup": "backup", "verify": "verify",
    "amendments": "history", "merge traces": "pack", "reject": "aside", "take from": "take", "delta": "share",
}  # fmt: skip


@pytest.fixture
def library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Library:
    monkeypatch.chdir(tmp_path)
    found = make_store(tmp_path, runs=4)
    found.devices.save(read_sheet(ONE_CLAIM.format(device="PB-01")).sheet, who="a tester")
    return found


def test_every_command_has_its_way_on_screen():
    """Each command is an action's, a key's, or is left out with a reason; and only one of the last two."""
    ways = commands_done() | set(BY_KEY) | set(NOT_ON_SCREEN)
    assert set(COMMANDS) == ways
    assert not set(NOT_ON_SCREEN) & (commands_done() | set(BY_KEY))
    assert {key for keys in BY_KEY.values() for key in keys} <= {key.id for key in KEYS}
    assert all(len(reason.split()) > 4 for reason in NOT_ON_SCREEN.values())


def test_no_two_actions_are_called_alike_and_each_does_something():
    listed = [action for action in ACTIONS if action.is_listed]
    assert len({action.id for action in ACTIONS}) == len(ACTIONS)
    assert len({action.label for action in listed}) == len(listed)
    assert all(action.do is not None or action.listing is not None for action in ACTIONS)
    assert all(action.do is not None for action in ACTIONS if action.preview is not None or action.form is not None)


@pytest.mark.parametrize("place", ["runs", "device"])
@pytest.mark.parametrize(("typed", "wanted"), WORDS.items())
def test_the_words_that_people_type_find_the_action(typed, wanted, place):
    model = ActionList([], is_many=False, entries=action_entries(place))
    for letter in typed:
        model.type(letter)
    offered = [entry.value for entry in model.found if not entry.value.startswith("key:")]
    assert offered[0] == f"do:{wanted}", offered[:4]


def test_the_list_holds_our_own_actions_only():
    texts = " ".join(f"{of.label} {of.tooltip}" for of in action_entries("runs")).casefold()
    assert "screenshot" not in texts
    assert "textual" not in texts
    assert sum(of.value.startswith("theme:") for of in action_entries("runs")) == 2


def test_runs_are_typed_as_numbers_spans_or_filter_words(library):
    assert runs_in(library, "3 1-2, 2") == [3, 1, 2]
    assert runs_in(library, "device:PB-01") == [
        row["run_id"] for row in library.runs.page("device:PB-01", sort="run_id").table.to_pylist()
    ]
    for wrong in ("", "5-2", "device:NOBODY"):
        with pytest.raises(Unfit):
            runs_in(library, wrong)
    assert Subject((7, 1, 2, 3, 9)).runs_text == "1-3 7 9"


class At:
    """The interface, and what a tester does there."""

    def __init__(self, pilot: Pilot[None], app: JoulebookApp) -> None:
        self.pilot, self.app = pilot, app

    async def press(self, *keys: str) -> None:
        await press(self.pilot, *keys)

    async def do(self, words: str) -> None:
        await self.press("ctrl+p", *words, "enter")

    async def fill(self, **texts: str) -> None:
        assert isinstance(self.app.screen, ActionFormScreen), screen_text(self.app)
        for key, text in texts.items():
            self.app.screen.query_one(f"#field-{key}", Input).value = text
        await self.press("ctrl+s")

    @property
    def text(self) -> str:
        return screen_text(self.app)


@pytest.fixture
async def at(library):
    app = app_on(library)
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        yield At(pilot, app)


async def test_runs_are_shown_before_they_are_deleted_and_esc_keeps_them(at, library):
    await at.do("delete runs")
    await at.fill()
    assert "reason: say why" in at.text
    await at.fill(reason="imported twice")
    assert isinstance(at.app.screen, ActionPageScreen)
    assert "1 run would be deleted" in at.text
    await at.press("escape")
    assert library.runs.page(limit=None).total == 4
    await at.do("delete runs")
    await at.fill(reason="imported twice")
    await at.press("enter")
    assert library.runs.page(limit=None).total == 3
    assert "1 run deleted" in at.text


async def test_grouping_and_its_undo(at, library):
    await at.press("space", "space")
    await at.do("group runs")
    assert at.app.screen.query_one("#field-runs", Input).value == "3-4"
    await at.fill(offset="3=1.5 4=oops")
    assert "4=oops is not of the form" in at.text
    await at.fill(offset="4=1.5")
    assert library.runs.get(3).facts.group_id == library.runs.get(4).facts.group_id is not None
    await at.press("escape", "u")
    assert library.runs.get(3).facts.group_id is None


async def test_one_log_is_split_and_whole_again(at, library):
    samples = library.runs.get(4).samples
    await at.do("split a run")
    await at.fill(runs="4", at="0:00:05")
    parts = [row["run_id"] for row in library.runs.page(sort="run_id").table.to_pylist() if row["run_id"] > 4]
    assert sum(library.runs.get(run).samples for run in parts) == samples
    await at.press("u")
    assert sum(library.runs.get(r["run_id"]).samples for r in library.runs.page().table.to_pylist()) == 4 * samples


async def test_a_meter_is_entered_refused_where_wrong_changed_and_taken_back(at, library):
    await at.do("add a meter")
    await at.fill(name="M9", voltage="about right")
    assert "voltage:" in at.text
    assert at.app.focused.id == "field-voltage"
    await at.fill(voltage="0.05% + 2d(0.001)", current="0.1%")
    assert library.meters.all()[-1] == Meter("M9", "0.05% + 2d(0.001)", "0.1%")
    await at.do("meters")
    assert isinstance(at.app.screen, ListingScreen)
    await at.press("G", "enter")
    await at.fill(current="0.2%", reason="sheet of 2026")
    assert library.meters.all()[-1].current_spec == "0.2%"
    assert "0.2%" in at.text
    await at.press("u")
    assert library.meters.all()[-1].current_spec == "0.1%"


async def test_a_calibration_corrects_from_its_day_on(at, library):
    library.meters.add(Meter("M9", "0.1%", "0.1%"))
    await at.do("add a calibration")
    await at.fill(meter="M9", day="yesterday")
    assert "yesterday is not a date" in at.text
    await at.fill(day="2026-01-10", **{"gain-voltage_v": "1,001"})
    (found,) = library.meters.calibrations("M9")
    assert [(c.channel, c.gain, c.offset) for c in found.corrections] == [("voltage_v", 1.001, 0.0)]
    await at.do("calibrations")
    assert "2026-01-10" in at.text


async def test_a_constant_is_tried_set_and_restored(at, library):
    before = {row.name: row.value for row in library.thresholds.all()}
    await at.do("constants")
    await at.press("enter")
    name = at.app.screen.query_one("#field-name", Input).value
    await at.fill(value=f"{before[name] * 1.01:g}", reason="loads here are like that")
    assert isinstance(at.app.screen, ActionPageScreen)
    assert {row.name: row.value for row in library.thresholds.all()} == before
    await at.press("enter")
    assert {row.name: row.value for row in library.thresholds.all()}[name] == pytest.approx(before[name] * 1.01)
    await at.press("u")
    assert {row.name: row.value for row in library.thresholds.all()} == before


async def test_a_change_is_found_in_the_history_and_taken_back(at, library):
    library.runs.edit([4], {"port": "X9"}, reason="a slip")
    was = library.amendments.all()[-1].old_value
    await at.do("history")
    assert "X9" in at.text
    await at.press("enter")
    await at.fill(reason="it was right")
    assert library.runs.get(4).facts.port == was
    assert library.amendments.all()[-1].reason == "it was right"


async def test_a_note_is_written_and_taken_back(at, library):
    run = at.app.run_list.run_id()
    before = library.runs.get(run).facts.note
    await at.do("note")
    await at.fill(note="probe slipped at 0:31")
    assert library.runs.get(run).facts.note == "probe slipped at 0:31"
    await at.press("u")
    assert library.runs.get(run).facts.note == before


async def test_runs_are_exported_with_their_samples(at, library):
    await at.do("export runs")
    await at.fill(runs="1-2", folder="out")
    assert "2 runs in" in at.text
    package = json.loads(Path("out/datapackage.json").read_text())
    names = [of["path"] for of in package["resources"] if "run" in of["name"]]
    rows = [pyarrow.csv.read_csv(Path("out") / name).num_rows for name in names]
    assert library.runs.get(1).samples in rows
    await at.do("export runs")
    await at.fill(runs="1-2", folder="out", format="gif")
    assert "gif is none of" in at.text


async def test_a_pair_is_made_listed_removed_and_back(at, library):
    for number, kind in enumerate(("discharge", "recharge")):
        export = write_export(Path.cwd(), f"{kind}.csv")
        facts = Facts(device="PB-09", port="C1", mode="fixed 20 V", kind=kind)
        started = datetime(2026, 1, 2 + number, tzinfo=UTC)
        add_run(library, export, make_run(60, seed=90 + number), facts=facts, started_at=started)
    await at.do("pair runs")
    await at.fill(runs="5-6", reason="the dates are wrong")
    (pair,) = library.runs.pairs()
    await at.do("pairs made by hand")
    await at.press("enter")
    assert library.runs.pairs() == ()
    await at.press("u")
    assert library.runs.pairs() == (pair,)


async def test_display_readings_become_a_run(at, library):
    await at.do("display readings")
    await at.fill(device="PB-01", pairs="20.1 V = 20.05 furlongs")
    assert "readings:" in at.text
    await at.fill(pairs="20.1 V = 20.05 V; 19.9 V = 19.85 V")
    run = library.runs.get(5)
    assert (run.facts.kind, run.facts.device, run.samples) == ("display", "PB-01", 2)


async def test_events_of_all_runs_lead_to_their_run(at, library):
    await at.do("events of")
    assert isinstance(at.app.screen, ListingScreen)
    if at.app.screen.model.listing.rows:
        await at.press("enter")
        assert isinstance(at.app.screen, RunScreen)
    else:
        assert "No run has an event" in at.text


async def test_the_library_is_backed_up_restored_and_verified(at, library):
    await at.do("backup")
    await at.fill(file="all.tar")
    await at.do("restore")
    await at.fill(file="all.tar", folder="again")
    assert Library.open("again").runs.page(limit=1).total == 4
    await at.do("verify")
    assert "every hash, row count and catalogue row is right" in at.text
    next(library.layout.runs.rglob("*.parquet")).write_bytes(b"broken")
    await at.do("verify")
    assert isinstance(at.app.screen, ActionPageScreen)
    assert "1 finding" in at.text


async def test_another_library_is_taken_after_a_look_at_what_would_come(at, library, tmp_path):
    (tmp_path / "there").mkdir()
    other = make_store(tmp_path / "there", runs=6)
    await at.do("take from")
    await at.fill(source=str(other.path))
    assert isinstance(at.app.screen, ActionPageScreen)
    assert "would come" in at.text
    before = library.runs.page(limit=1).total
    await at.press("enter")
    assert library.runs.page(limit=1).total > before


async def test_a_sheet_is_loaded_from_its_file(at, library):
    Path("s.toml").write_text(ONE_CLAIM.format(device="PB-77"))
    await at.do("load a device sheet")
    await at.fill(file="nowhere.toml")
    assert "there is no file nowhere.toml" in at.text
    await at.fill(file="s.toml")
    assert library.devices.find("PB-77") is not None


async def test_a_profile_is_kept_from_an_export_and_shown(at, library):
    lines = [f"{i},{20 + i % 3 / 1000:.3f},1.500" for i in range(40)]
    Path("log.csv").write_text("\n".join(["Time [s],Voltage [V],Current [A]", *lines]) + "\n")
    await at.do("keep a profile")
    await at.fill(file="log.csv", name="bench-meter")
    await at.do("profiles")
    await at.press(*["j"] * [row.key for row in at.app.screen.model.listing.rows].index("bench-meter"), "enter")
    assert isinstance(at.app.screen, ActionPageScreen)
    assert "voltage_v" in at.text
    await at.press("escape", "escape")
    await at.do("try profiles")
    await at.fill(file="log.csv")
    assert "fits" in at.text


@pytest.mark.parametrize(
    "words", ["trace files", "issued reports", "next tests", "merge trace files", "rebuild the catalogue", "rate all"]
)
async def test_the_rest_is_carried_out_without_a_complaint(at, words):
    await at.do(words)
    if isinstance(at.app.screen, ActionFormScreen):
        await at.press("ctrl+s")
    assert isinstance(at.app.screen, ActionPageScreen | RunsScreen), at.text
    assert "should not have happened" not in at.text


async def test_from_a_run_its_own_number_is_meant(at):
    await at.press("j", "enter")
    run = at.app.screen.chosen()[0][0]
    await at.do("set aside")
    assert at.app.screen.query_one("#field-runs", Input).value == str(run)
    await at.press("escape", "escape")
    await at.press("ctrl+p", *"theme light", "enter")
    assert at.app.theme == "joulebook-light"
    await at.press("ctrl+p", *"nothing like this", "enter")
    assert isinstance(at.app.screen, ActionsScreen)


@pytest.mark.parametrize("action", [of for of in ACTIONS if of.form is not None], ids=lambda of: of.id)
def test_nonsense_in_every_field_is_refused_in_a_sentence_or_done(action, library):
    """Each field in turn holds what no field can take, all others as proposed; a refusal names what to do."""
    from importers.problems import ImportProblem
    from store.errors import StoreError
    from tui.state.actions.model import ActionWork

    library.runs.edit([1], {"note": "a change"})
    sentences = []
    subject = Subject((1, 2), ("PB-01",), str(len(library.amendments.all()) - 1) if action.id == "take-back" else "")
    form = action.form(library, subject)
    for field in form.fields:
        texts = {of.key: form.texts.get(of.key, "") for of in form.fields} | {field.key: "[/bold] \x1b[2J ,,=\u202e"}
        texts |= {"folder": "a-file/x"} if "folder" in texts else {}
        Path("a-file").write_text("")
        try:
            (action.preview or action.do)(ActionWork(library, subject, texts))
        except (StoreError, ImportProblem, Unfit, OSError) as refused:
            sentences.append(str(refused))
    assert all(sentence.strip() for sentence in sentences)
