"""The import table at work: facts per file, proposals taken, corrected after the import, joined, grouped."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from textual.widgets import Input

from store import Library
from store.devices.sheet_reader import read_sheet
from tests.builders import ONE_CLAIM, STARTED
from tests.tui.harness import app_on, press, screen_text, settle
from tui.screens.imports import ImportScreen
from tui.screens.pick import PickScreen
from tui.state.import_facts import names_cut

NAMES = [
    "PB-01_C1_recharge_part_1_of_the_long_log.csv",
    "PB-01_C1_recharge_part_2_of_the_long_log.csv",
    "PB-02_C1.csv",
    "PB-02_C2.csv",
]


def write_log(path: Path, volts: float, amps: np.ndarray, *, from_s: float = 0.0, before_wh: float = 0.0) -> None:
    """An invented dated export with a counter; noise from a fixed seed."""
    rng = np.random.default_rng(4)
    energy = before_wh + np.cumsum(volts * amps) / 3600
    lines = ["Time,Voltage [V],Current [A],Energy [Wh]"]
    for row, amp in enumerate(amps):
        moment = STARTED + timedelta(seconds=from_s + row)
        lines.append(
            f"{moment:%Y-%m-%d %H:%M:%S},{volts + 0.01 * rng.standard_normal():.4f},"
            f"{amp + 0.003 * rng.standard_normal():.4f},{energy[row]:.5f}"
        )
    path.write_text("\n".join(lines) + "\n")


@pytest.fixture
def logs(tmp_path: Path) -> Path:
    """A recharge in two files, and two ports of another device logged at once."""
    folder = tmp_path / "logs"
    folder.mkdir()
    amps = np.concatenate([np.full(600, 2.0), 2.0 * np.exp(-np.arange(400) / 110)])
    write_log(folder / NAMES[0], 20.0, amps[:400])
    before = float(np.sum(20.0 * amps[:400]) / 3600)
    write_log(folder / NAMES[1], 20.0, amps[400:], from_s=401, before_wh=before)
    write_log(folder / NAMES[2], 20.0, np.full(300, 1.5), from_s=90_000)
    write_log(folder / NAMES[3], 9.0, np.full(300, 1.0), from_s=90_010)
    return folder


async def named(pilot, folder: Path) -> None:
    """The import screen with the folder's files."""
    await settle(pilot)
    await press(pilot, "f5")
    pilot.app.screen.query_one(Input).value = str(folder)
    await press(pilot, "enter")
    await settle(pilot)


async def test_four_logs_are_in_with_all_their_facts_in_a_few_keys(tmp_path: Path, logs: Path) -> None:
    """Y takes what is proposed, Enter imports, J joins, G groups: 4 keys and one to move, and the figures are right."""
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    for device in ("PB-01", "PB-02"):
        library.devices.save(read_sheet(ONE_CLAIM.format(device=device)).sheet)
    app = app_on(library)
    async with app.run_test(size=(120, 40)) as pilot:
        await named(pilot, logs)
        assert "fixed 20 V ?" in screen_text(app)
        await press(pilot, "Y", "enter")
        await settle(pilot)
        assert library.runs.page("").total == 4
        assert "J joins, G groups" in screen_text(app)
        await press(pilot, "J", "j", "G")
        await settle(pilot)
        frame = library.runs.frame().sort("run_id")
        assert frame["device"].to_list() == ["PB-02", "PB-02", "PB-01"]
        assert frame["port"].to_list() == ["C1", "C2", "C1"]
        assert frame["mode"].to_list() == ["fixed 20 V", "fixed 9 V", "fixed 20 V"]
        assert frame["kind"].to_list() == ["discharge", "discharge", "recharge"]
        assert frame["load_set"].to_list() == ["30 W", "9 W", None]
        assert frame["samples"].to_list() == [300, 300, 1000]
        assert frame["group_id"].to_list()[0] == frame["group_id"].to_list()[1] is not None
        # 600 s at 40 W, then an exponential tail: its sum by hand
        energy_wh = float(np.sum(40.0 * np.exp(-np.arange(400) / 110)) + 600 * 40.0) / 3600
        found = {r.name: r.value for r in library.runs.get(frame["run_id"][2]).results if r.is_current}
        assert found["energy_in_wh"] == pytest.approx(energy_wh, rel=0.01)
        # a slip is corrected in the table after the import, with an amendment
        screen = app.screen
        assert isinstance(screen, ImportScreen)
        screen.paged_list.move_to(2)
        await press(pilot, *["right"] * 5, "space")
        await press(pilot, *"23.5", "enter")
        await settle(pilot)
        run_id = screen.model.entries[2].run_ids[0]
        assert library.runs.get(run_id).facts.ambient_c == 23.5
        assert library.runs.get(run_id).amendments[-1].reason == "stated at import"
        # and the whole import taken back
        await press(pilot, "u", "down", "enter")
        await settle(pilot)
        assert library.runs.page("").total == 0


async def test_facts_are_picked_from_the_sheet_filled_down_and_contradictions_show(tmp_path: Path, logs: Path) -> None:
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    library.devices.save(read_sheet(ONE_CLAIM.format(device="PB-02")).sheet)
    app = app_on(library)
    async with app.run_test(size=(120, 40)) as pilot:
        await named(pilot, logs)
        entries = app.screen.model.entries
        await press(pilot, "space")
        assert isinstance(app.screen, PickScreen)
        await press(pilot, "enter", "f")
        assert [e.facts["device"] for e in entries] == ["PB-02"] * 4
        await press(pilot, "right", "space")
        assert "A1" in screen_text(app)  # what the sheet offers
        await press(pilot, *"A1", "enter", "right", "space")
        await press(pilot, "enter")
        assert entries[0].facts["mode"] == "fixed 5 V"
        text = screen_text(app)
        assert "fixed 5 V!" in text
        assert "the trace shows 20 V" in text
        await press(pilot, "right", "right", "space", *"30", "enter")  # a load without a unit
        assert "30 W" in screen_text(app)
        assert "load" not in entries[0].facts


async def test_leaving_and_coming_back_keeps_files_answers_and_facts(tmp_path: Path, logs: Path) -> None:
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await named(pilot, logs)
        app.screen.model.entries[1].facts["meter"] = "M4"
        await press(pilot, "escape", "f5")
        assert isinstance(app.screen, ImportScreen)
        assert [e.path.name for e in app.screen.model.entries] == NAMES
        assert app.screen.model.entries[1].facts == {"meter": "M4"}
        await press(pilot, "enter")
        await settle(pilot)
        assert library.runs.page("meter:M4").shown == 1
        await press(pilot, "escape", "f5")
        assert app.screen is not None
        assert app.import_list is not None
        assert app.import_list.entries == []  # what is in leaves the list


async def test_a_log_that_grew_says_so_before_and_after(tmp_path: Path) -> None:
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    log = tmp_path / "a.csv"
    write_log(log, 20.0, np.full(200, 1.5))
    library.imports.add(log)
    write_log(log, 20.0, np.full(320, 1.5))
    app = app_on(library)
    async with app.run_test(size=(120, 40)) as pilot:
        await named(pilot, log)
        assert "begins with all of run 1" in " ".join(screen_text(app).split())
        await press(pilot, "o")
        assert "run of its own" in " ".join(screen_text(app).split())
        await press(pilot, "o", "enter")
        await settle(pilot)
        assert "replaces run 1" in screen_text(app)
        assert library.runs.frame()["samples"].to_list() == [320]


def test_long_names_keep_their_ends() -> None:
    for width in range(4, 40):
        shown = names_cut("PB-01_C1_discharge_7.csv", width)
        assert len(shown) <= width
        if width >= 12:
            assert shown.endswith("7.csv")
            assert shown.startswith("PB")
