"""Figures of devices as a whole: rows of `results` without a run, and their accounts."""

from __future__ import annotations

import json
import math
from pathlib import Path

import duckdb
import pytest

from store import Library
from store.errors import NotFound
from store.judge.whole import DeviceResult
from tui.cli.main import main


@pytest.fixture(scope="module")
def library(demo_library: Path) -> Library:
    return Library.open(demo_library)


def test_every_figure_is_got_again_by_a_bare_engine_from_the_files_of_all_its_runs(library: Library) -> None:
    """Sheets, pairs, adapters and loads stand in the statement as numbers; nothing of ours is asked."""
    engine = duckdb.connect()
    tried = 0
    for device in library.devices.sheets():
        for name in {found.result.name for found in library.devices.results(device)}:
            for found, sql in library.devices.why(device, name):
                if found.result.value is None:
                    assert sql.startswith("-- absent: ")
                    continue
                ((again,),) = engine.execute(sql).fetchall()
                assert again == pytest.approx(found.result.value, rel=1e-9), (device, name)
                tried += 1
    assert tried > 100


def test_budgets_add_up_to_what_is_printed(library: Library) -> None:
    checked = 0
    for device in library.devices.sheets():
        for found in library.devices.results(device):
            result = found.result
            if result.uncertainty:
                total = math.hypot(*(part.standard_uncertainty for part in result.budget))
                assert total == pytest.approx(result.uncertainty, rel=1e-6), (device, result.name)
                checked += 1
    assert checked > 80


def test_an_assumed_input_is_a_line_of_the_budget(library: Library) -> None:
    ((found, _),) = library.devices.why("PB-03", "wall_to_load")
    largest = max(found.result.budget, key=lambda part: part.standard_uncertainty)
    assert largest.name == "adapter's efficiency, assumed"
    assert any("0.90 assumed" in note for note in found.result.warnings)


def test_they_stand_in_the_results_view_without_a_run(library: Library) -> None:
    """Beside the results of runs, with condition and runs; a query of runs alone does not see them."""
    asked = "SELECT name, value, uncertainty, dof, expanded, condition, runs, flags FROM results "
    rows = library.sql.run(asked + "WHERE run_id IS NULL AND device = 'PB-03'").table.to_pylist()
    page = {figure.name: figure for figure in library.devices.page("PB-03").figures}
    assert {row["name"] for row in rows} == set(page)
    for row in rows:
        figure = page[row["name"]]
        assert (row["value"], row["uncertainty"], row["expanded"]) == (
            figure.value,
            figure.uncertainty,
            figure.expanded,
        )
        assert (row["condition"], tuple(row["runs"])) == (figure.condition, figure.run_ids)
    assert {row["name"]: row["flags"] for row in rows}["wall_to_load"] == ["assumed input"]
    of_runs = library.sql.run(
        "SELECT count(*) AS n FROM results WHERE run_id IS NOT NULL AND runs <> [run_id]"
    ).table.to_pylist()
    assert of_runs == [{"n": 0}]


def test_a_changed_sheet_changes_its_rows(tmp_path: Path) -> None:
    from store.devices.sheet_reader import read_sheet

    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    for mass in (200, 400):
        text = f'device = "PB-1"\nkind = "power bank"\n[rated]\nenergy_wh = 20\n[mass_g]\ndevice = {mass}\n'
        library.devices.save(read_sheet(text, "PB-1.toml").sheet)
        asked = "SELECT value FROM results WHERE name = 'rated_wh_per_kg' AND run_id IS NULL"
        assert library.sql.run(asked).table.to_pylist() == [{"value": 20 * 1000 / mass}]
    absent = library.sql.run("SELECT value, reason FROM results WHERE name = 'energy_out_wh'").table.to_pylist()
    assert absent == [{"value": None, "reason": "Missing: a discharge at room temperature."}]


def test_why_answers_for_a_device(demo_library: Path, library: Library, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--library", str(demo_library), "why", "PB-03", "round_trip"]) == 0
    text = capsys.readouterr().out
    assert "round-trip efficiency, PB-03" in text
    assert "read_parquet" in text
    assert main(["--library", str(demo_library), "why", "AD-01", "efficiency_average", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [item["device"] for item in found] == ["AD-01", "AD-01"]
    assert main(["--library", str(demo_library), "why", "PB-03", "rund_trip"]) == 1
    assert "Did you mean round_trip" in capsys.readouterr().err
    assert main(["--library", str(demo_library), "why", "PB-77", "round_trip"]) == 1
    with pytest.raises(NotFound):
        library.devices.why("PB-03", "held_s")


def test_a_device_without_a_run_says_what_is_missing(tmp_path: Path) -> None:
    from store.judge.whole import device_results
    from store.model.sheet import DeviceSheet

    found = device_results(DeviceSheet("PB-1", "power bank"), ())
    assert all(isinstance(item, DeviceResult) and item.result.reason for item in found)
