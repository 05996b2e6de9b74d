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
from store.catalogue.accounts import account_from
from store.methods.why import gets_it_again, redo_sql
from store.model.records import Calibration, Meter
from store.model.results import Contribution, Correction, Result
from tests.builders import STARTED, add_run, make_run, make_store, write_export

ALWAYS = {"energy_wh", "charge_ah", "energy_out_wh", "runtime_s", "temperature_max_c", "power_plateau_w", "duration_s"}


def accounts(library: Library, run_id: int) -> list[Result]:
    """Every current result of a run with its account, from the catalogue."""
    with library.catalogue.reader() as cursor:
        found: list[Any] = cursor.sql(
            "SELECT name, value, unit, uncertainty, method, method_version, from_s, to_s, account "
            "FROM catalogue.result WHERE is_current AND value IS NOT NULL AND run_id = ?",
            params=[run_id],
        ).fetchall()
    return [Result(*row[:8], account=account_from(json.loads(row[8]))) for row in found]


WITHIN = {"first-order heating": 1e-6, "time to limit": 1e-6}
"""A fit's statement takes the time constant to seven digits and one step from there."""


def check(library: Library, run_id: int) -> set[str]:
    """Run the statement of each number: it gets the stored one. Returns the names."""
    bare = duckdb.connect()
    path = library.samples.place(run_id)[0]
    same = set()
    for result in accounts(library, run_id):
        sql = redo_sql(result, run_id, str(path))
        rows = bare.execute(sql).fetchall()
        assert gets_it_again(sql), (result.name, sql)
        within = WITHIN.get(result.method, 1e-9)
        assert rows[0][0] == pytest.approx(result.value, rel=within, abs=1e-9), (result.name, sql)
        same.add(result.name)
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
    assert library.samples.place(2)[0].parent.name == "runs"
    library.maintenance.pack()
    assert library.samples.place(2)[0].parent.name == "packs"
    assert check(library, 2) == loose
    assert check(library, 3) >= ALWAYS


def test_odd_logs_give_the_stored_values(tmp_path: Path) -> None:
    """Gaps with and without a counter, missing cells, a late load; power alone; a share of the rated energy."""
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    add_run(library, write_export(tmp_path, "odd.csv"), frame_with_everything_odd())
    odd = {result.name: result for result in accounts(library, 1)}
    assert odd["energy_wh"].account.numbers["gaps"] == 2
    assert "from_counter_wh" in odd["energy_wh"].account.numbers
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
    library.meters.add(Meter("M1", voltage_spec="0.05% + 2d(0.001)", current_spec="0.1% + 2d(0.001)"))
    corrections = (Correction("voltage_v", 1.01, 0.002, "certificate 7"), Correction("current_a", 0.99, 0.0))
    library.meters.add_calibration(Calibration("M1", STARTED.date(), corrections=corrections))
    facts = Facts(device="PB-01", port="C1", mode="fixed 20 V", kind="discharge", load="30 W", meter="M1")
    add_run(library, write_export(tmp_path, "a.csv"), make_run(), facts=facts)
    energy = next(result for result in accounts(library, 1) if result.name == "energy_wh")
    assert energy.account.corrections == corrections
    assert check(library, 1) >= ALWAYS


def test_a_quote_in_the_path_is_harmless() -> None:
    """A folder may be called anything."""
    result = Result("energy_wh", 1.0, "Wh", None, "energy bilinear", 1)
    assert "read_parquet('it''s.parquet'" in redo_sql(result, 1, "it's.parquet")


def one_run_of_each_kind(library: Library) -> list[int]:
    """The shortest run of every kind, with and without power or temperature."""
    frame = library.runs.frame().sort("samples")
    has_heat = pl.col("temperature_max_c").is_not_null()
    return list(frame.group_by("kind", has_heat, maintain_order=True).first()["run_id"])


def test_every_number_of_one_run_of_each_kind_can_be_had_again(demo_library: Path) -> None:
    """Whatever `show` prints as a number has a statement, and the statement gives it."""
    library = Library.open(demo_library)
    runs = one_run_of_each_kind(library)
    assert len(runs) > 11
    for run_id in runs:
        assert check(library, run_id)


def is_whole(account: Result) -> bool:
    """Formula, account, span; an uncertainty with its budget, whose shares sum to one, or why it is unknown."""
    if account.value is None and account.text is None:
        return bool(account.reason)
    if not (account.formula and account.account.numbers and account.from_s is not None):
        return False
    if account.value is None or account.uncertainty == 0.0:
        return True
    if account.uncertainty is None:
        return bool(account.reason) and not account.budget
    shares = [(part.standard_uncertainty / account.uncertainty) ** 2 for part in account.budget]
    return abs(sum(shares) - 1.0) < 1e-9


def test_every_result_of_the_demo_has_a_whole_account(demo_library: Path) -> None:
    """All runs in one reading; through `why` those of one run of each kind."""
    library = Library.open(demo_library)
    with library.catalogue.reader() as cursor:
        found: list[Any] = cursor.sql(
            "SELECT name, value, unit, uncertainty, method, method_version, from_s, to_s, text, reason, budget, "
            "account, formula, run_id FROM catalogue.result WHERE is_current AND run_id IS NOT NULL"
        ).fetchall()
    assert len(found) > 10_000
    for row in found:
        budget = tuple(Contribution(**part) for part in json.loads(row[10]))
        account = Result(
            *row[:9], reason=row[9], budget=budget, account=account_from(json.loads(row[11])), formula=row[12]
        )
        assert is_whole(account), (row[13], account)
    for run_id in one_run_of_each_kind(library)[:4]:
        for stored in library.results.of(run_id):
            account = library.results.why(run_id, stored.name)
            assert is_whole(account), (run_id, account)
            assert account.value == stored.value


@pytest.mark.long
def test_every_result_of_the_demo(demo_library: Path) -> None:
    """All numbers of all runs of the demo's packs."""
    library = Library.open(demo_library)
    for run_id in library.runs.frame()["run_id"]:
        check(library, run_id)
