"""The SQL that an account prints gets the stored number again: in a bare DuckDB, from the Parquet alone."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest

from importers.schema import Facts
from store import Library
from store.model import Calibration, Meter
from store.results.base import Correction, Result
from store.results.why import gets_it_again, redo_sql
from tests.builders import STARTED, add_run, make_run, make_store, write_export

ALWAYS = {"energy_wh", "charge_ah", "energy_out_wh", "runtime_s", "temperature_max_c", "power_plateau_w", "duration_s"}


def accounts(library: Library, run_id: int) -> list[Result]:
    """Every current result of a run with its inputs, from the catalogue."""
    with library.catalogue.reader() as cursor:
        found: list[Any] = cursor.sql(
            "SELECT name, value, unit, uncertainty, method, method_version, from_s, to_s, inputs "
            "FROM catalogue.result WHERE is_current AND value IS NOT NULL AND run_id = ?",
            params=[run_id],
        ).fetchall()
    return [Result(*row[:8], inputs=json.loads(row[8])) for row in found]


def check(library: Library, run_id: int) -> set[str]:
    """Run each statement that says it gets the number; return the names of those results."""
    bare = duckdb.connect()
    path = library.trace_place(run_id)[0]
    same = set()
    for result in accounts(library, run_id):
        sql = redo_sql(result, run_id, str(path))
        rows = bare.execute(sql).fetchall()
        if gets_it_again(sql):
            assert rows[0][0] == pytest.approx(result.value, rel=1e-9, abs=1e-9), (result.name, sql)
            same.add(result.name)
        else:
            assert rows, (result.name, sql)
    return same


def frame_with_everything_odd() -> pl.DataFrame:
    """Noise, a gap that the meter's counter spans and one that it does not, empty cells, a fade, an idle start."""
    frame = make_run(900, noise=0.05, seed=3)
    hours = np.arange(900) / 3600.0
    frame = frame.with_columns(energy_wh=pl.Series(30.0 * hours), charge_ah=pl.Series(1.5 * hours))
    index = pl.int_range(pl.len())
    return frame.with_columns(
        pl.when(index % 97 == 5).then(None).otherwise(pl.col("voltage_v")).alias("voltage_v"),
        pl.when(index < 20).then(0.0).otherwise(pl.col("current_a")).alias("current_a"),
        pl.when(index > 500).then(None).otherwise(pl.col("energy_wh")).alias("energy_wh"),
    ).filter(~index.is_between(300, 360) & ~index.is_between(600, 640))


def both_ways_frame() -> pl.DataFrame:
    """Current that turns round twice within the run."""
    t = np.arange(600.0)
    amps = 1.5 * np.cos(t / 90.0)
    return pl.DataFrame({"t_s": t, "voltage_v": 9.0 - 0.2 * amps, "current_a": amps})


def test_a_loose_file_and_a_pack_give_the_stored_values(tmp_path: Path) -> None:
    """energy, charge, hottest, runtime and more; before and after packing, and for a neighbour in the same pack."""
    library = make_store(tmp_path, 3)
    loose = check(library, 2)
    assert loose >= ALWAYS
    assert library.trace_place(2)[0].parent.name == "runs"
    library.pack()
    assert library.trace_place(2)[0].parent.name == "packs"
    assert check(library, 2) == loose
    assert check(library, 3) >= ALWAYS


def test_odd_logs_give_the_stored_values(tmp_path: Path) -> None:
    """Gaps with and without a counter, missing cells, a late load; power alone; a share of the rated energy."""
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    add_run(library, write_export(tmp_path, "odd.csv"), frame_with_everything_odd())
    odd = {result.name: result for result in accounts(library, 1)}
    assert odd["energy_wh"].inputs["gaps"] == 2
    assert "from the meter's counter (Wh)" in odd["energy_wh"].inputs
    assert check(library, 1) >= ALWAYS
    add_run(library, write_export(tmp_path, "power.csv"), make_run(300).select("t_s", "power_w"))
    assert check(library, 2) >= {"energy_wh", "energy_out_wh", "power_mean_w", "runtime_s"}


def test_both_directions_give_the_stored_values(tmp_path: Path) -> None:
    """Steps are cut where the current crosses zero; each direction and the net come out."""
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    facts = Facts(device="PB-01", port="C1", mode="fixed 9 V", kind="pass-through")
    add_run(library, write_export(tmp_path, "both.csv"), both_ways_frame(), facts=facts)
    assert check(library, 1) >= {"energy_wh", "energy_out_wh", "energy_in_wh", "charge_out_ah", "charge_in_ah"}


def test_a_calibrations_correction_is_in_the_statement(tmp_path: Path) -> None:
    """The trace keeps the reading: without the correction the statement would give another number."""
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    library.add_meter(Meter("M1", voltage_spec="0.05% + 2d(0.001)", current_spec="0.1% + 2d(0.001)"))
    corrections = (Correction("voltage_v", 1.01, 0.002, "certificate 7"), Correction("current_a", 0.99, 0.0))
    library.add_calibration(Calibration("M1", STARTED.date(), corrections=corrections))
    facts = Facts(device="PB-01", port="C1", mode="fixed 20 V", kind="discharge", load="30 W", meter="M1")
    add_run(library, write_export(tmp_path, "a.csv"), make_run(), facts=facts)
    energy = next(result for result in accounts(library, 1) if result.name == "energy_wh")
    assert energy.inputs["gain of voltage_v"] == 1.01
    assert energy.inputs["correction of voltage_v"] == "certificate 7"
    assert check(library, 1) >= ALWAYS


def test_a_quote_in_the_path_is_harmless() -> None:
    """A folder may be called anything."""
    result = Result("energy_wh", 1.0, "Wh", None, "energy bilinear", 1)
    assert "read_parquet('it''s.parquet'" in redo_sql(result, 1, "it's.parquet")


@pytest.mark.long
def test_every_result_of_the_demo(demo_library: Path) -> None:
    """All runs of the demo's packs."""
    library = Library.open(demo_library)
    for run_id in library.runs_frame()["run_id"]:
        check(library, run_id)
