"""A changed fact of the bench moves just what rests on it: constants, accuracies, calibrations, rated values."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from importers.schema import Facts
from store import Library
from store.errors import NotFound, WrongFact
from store.methods import reduce_run
from store.methods.specs import resting_on, spec_of, specs
from store.model.records import Calibration, Meter
from store.model.results import ArrayTrace, Correction, MeterAccuracy, Result, RunContext
from store.model.sheet import ClaimSheet, DeviceSheet
from store.signal.thresholds import THRESHOLDS
from tests.builders import STARTED, add_run, make_run, make_store, write_export
from tests.store.results.known_truth import DETECTORS

VOLTS, AMPS = "0.05% + 2d(0.001)", "0.1% + 2d(0.001)"


def by_name(library: Library, run_id: int = 1) -> dict[str, float | None]:
    return {result.name: result.value for result in library.results.of(run_id)}


def drooping(tmp_path: Path) -> Library:
    """A bank that holds 30 W for 300 s and then 4 % less, with a claim that it holds for 500 s."""
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    library.meters.add(Meter("M1", VOLTS, AMPS))
    claim = ClaimSheet("held_s", "at least", 500.0, unit="s", port="C1", load="30 W", kind="discharge")
    library.devices.save(DeviceSheet("PB-01", "power bank", rated_energy_wh=10.0, claims=(claim,)))
    frame = make_run(600, noise=0.0)
    droop = pl.when(pl.col("t_s") > 300).then(0.96).otherwise(1.0)
    frame = frame.with_columns(current_a=pl.col("current_a") * droop, power_w=pl.col("power_w") * droop)
    facts = Facts(device="PB-01", port="C1", mode="fixed 20 V", kind="discharge", load="30 W", meter="M1")
    add_run(library, write_export(tmp_path, "a.csv"), frame, facts=facts)
    return library


def test_a_constant_set_here_moves_what_rests_on_it_and_why_names_it(tmp_path: Path) -> None:
    """held_band of 3 % ends the hold at the droop; an amendment tells; the old value stays; the verdict flips."""
    library = drooping(tmp_path)
    before = by_name(library)
    assert before["held_s"] == pytest.approx(569.0, abs=1.0)
    seen = library.results.preview(thresholds={"held_band": 0.03})
    assert {change.name for change in seen.changes} >= {"held_s", "first_cutback_s"}
    assert [(flip.device, flip.before, flip.after) for flip in seen.verdicts] == [("PB-01", "met", "not met")]
    assert by_name(library) == before, "a preview stores nothing"
    changed = library.thresholds.change({"held_band": 0.03}, reason="loads here hold 3 %")
    assert changed == list(seen.changes)
    assert by_name(library)["held_s"] == pytest.approx(300.0, abs=1.0)
    assert library.verdicts.all()[0].verdict == "not met"
    assert library.results.why(1, "held_s").account.constants == {"held_band": 0.03}
    assert not library.results.why(1, "energy_wh").account.constants
    (amended,) = library.amendments.all("threshold")
    told = (amended.key, amended.old_value, amended.new_value, amended.reason)
    assert told == ("held_band", "0.05", "0.03", "loads here hold 3 %")
    row = next(row for row in library.thresholds.all() if row.name == "held_band")
    assert (row.value, row.default, row.is_own, row.reason) == (0.03, 0.05, True, "loads here hold 3 %")
    assert library.results.recompute(dry_run=True) == []
    library.thresholds.change({"held_band": None}, reason="use the default")
    assert by_name(library) == before
    assert not any(row.is_own for row in library.thresholds.all())


def test_a_constant_holds_for_what_is_imported_later(tmp_path: Path) -> None:
    """The library's own value is in force at import."""
    library = drooping(tmp_path)
    library.thresholds.change({"held_band": 0.03}, reason="loads here hold 3 %")
    frame = make_run(600, noise=0.0)
    add_run(library, write_export(tmp_path, "b.csv"), frame, facts=Facts(device="PB-01", kind="discharge"))
    assert library.results.why(2, "held_s").account.constants == {"held_band": 0.03}


def test_impossible_constants_are_refused(tmp_path: Path) -> None:
    """An unknown name suggests the nearest; no reason, no number above zero, no share over one."""
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    with pytest.raises(NotFound, match="Did you mean held_band"):
        library.thresholds.change({"held_bnad": 0.1}, reason="x")
    with pytest.raises(WrongFact, match="Give a reason"):
        library.thresholds.change({"held_band": 0.1})
    for value in (0.0, -1.0, float("nan"), 5.0):
        with pytest.raises(WrongFact, match="held_band can't be"):
            library.thresholds.change({"held_band": value}, reason="x")
    assert library.amendments.all() == ()


@cache
def trace_of(name: str) -> tuple[ArrayTrace, RunContext, dict[str, Result]]:
    """A short trace of a kind with a temperature, its facts, and its results by the constants that ship."""
    case = next(c for k in range(99) if len((c := DETECTORS[name](np.random.default_rng([7, k]))).columns["t_s"]) < 900)
    n = len(case.columns["t_s"])
    heat = 22.0 + 20.0 * -np.expm1(-case.columns["t_s"] / (0.2 * case.columns["t_s"][-1] + 1.0))
    trace = ArrayTrace({**case.columns, "temperature_c": np.round(heat + 0.05 * np.sin(np.arange(n)), 1)})
    return trace, case.context, {r.name: r for r in reduce_run(trace, case.context).results}


def test_a_spec_names_only_constants_that_there_are() -> None:
    """And every constant decides about everything, about some result, or about events alone."""
    named = {constant for spec in specs().values() for constant in spec.rests_on}
    assert named <= set(THRESHOLDS)
    assert set(THRESHOLDS) - named == {n for n, t in THRESHOLDS.items() if t.is_everywhere} | {"thermal_band_k"}


@pytest.mark.parametrize("name", sorted(THRESHOLDS))
def test_a_constant_decides_about_no_more_than_it_says(name: str) -> None:
    """Moved up and down by a half, it moves only results whose spec names it."""
    item = THRESHOLDS[name]
    if item.is_everywhere:
        assert not resting_on(name)
        return
    for kind in DETECTORS:
        trace, context, plain = trace_of(kind)
        for factor in (0.5, 1.5):
            value = min(item.value * factor, 0.99) if item.is_share else item.value * factor
            for result in reduce_run(trace, replace(context, thresholds={name: value})).results:
                if _figures(result) != _figures(plain[result.name]):
                    spec = spec_of(result.name)
                    assert spec is not None, result.name
                    assert name in spec.rests_on, (name, result.name)


def _figures(result: Result) -> tuple[object, ...]:
    return (result.value, result.uncertainty, result.text, result.from_s, result.to_s)


def test_a_meters_accuracy_moves_its_own_runs_only(tmp_path: Path) -> None:
    """Another limit of error: uncertainties of that meter's runs, no value, no other run."""
    library = make_store(tmp_path, 2, samples=300)
    library.meters.add(Meter("M1", VOLTS, AMPS))
    library.runs.edit([2], {"meter": "M9"})
    before, other = library.results.why(1, "energy_wh"), library.results.of(2)
    library.meters.add(Meter("M1", "0.5%", "1%"), reason="the certificate says so")
    after = library.results.why(1, "energy_wh")
    assert after.value == before.value
    assert before.uncertainty is not None
    assert after.uncertainty is not None
    assert after.uncertainty > 3.0 * before.uncertainty
    assert library.results.of(2) == other


def test_a_rated_value_moves_the_devices_runs(tmp_path: Path) -> None:
    """yield follows the sheet."""
    library = drooping(tmp_path)
    share = by_name(library)["yield"]
    assert share is not None
    library.devices.save(DeviceSheet("PB-01", "power bank", rated_energy_wh=20.0), reason="misread")
    assert by_name(library)["yield"] == pytest.approx(share / 2.0)


def test_a_calibration_corrects_runs_from_its_day_on(tmp_path: Path) -> None:
    """1 % on voltage is 1 % on energy, named with its certificate; the day before nothing moves; the trace stays."""
    library = drooping(tmp_path)
    before = by_name(library)["energy_wh"]
    assert before is not None
    late = date(STARTED.year + 1, 1, 1)
    library.meters.add_calibration(Calibration("M1", late, corrections=(Correction("voltage_v", 1.5, 0.0, "later"),)))
    assert by_name(library)["energy_wh"] == before
    correction = Correction("voltage_v", 1.01, 0.0, "certificate 7")
    library.meters.add_calibration(Calibration("M1", STARTED.date(), document="C-7", corrections=(correction,)))
    account = library.results.why(1, "energy_wh")
    assert account.value == pytest.approx(1.01 * before, rel=1e-12)
    assert account.account.corrections == (correction,)
    assert not library.results.why(1, "temperature_max_c").account.corrections
    first = library.samples.read(1, ["voltage_v"]).column("voltage_v")[0].as_py()
    assert first == pytest.approx(20.0, abs=1e-9), "the trace keeps what the meter read"


def test_mains_power_has_its_own_accuracy() -> None:
    """u^2(E) = (gP E)^2 + (oP t)^2 + (c E)^2: 0.2 % + 0.01 W of 50 W over two hours and a clock that may be 0.1 % off.

    Limits are taken as rectangular (GUM 4.3.7).
    """
    t = np.arange(0.0, 7201.0, 10.0)
    columns = {"t_s": t, "voltage_v": np.full(len(t), 230.0), "current_a": np.full(len(t), 0.4)}
    columns["power_w"] = np.full(len(t), 50.0)
    context = RunContext("efficiency", "in", port="mains", meter=MeterAccuracy("N", power="0.2% + 0.01 W"))
    found = {r.name: r for r in reduce_run(ArrayTrace(columns), context).results}
    assert found["energy_wh"].value == pytest.approx(100.0)
    assert found["energy_wh"].uncertainty == pytest.approx(np.sqrt((0.2**2 + 0.02**2 + 0.1**2) / 3.0))
    assert found["power_mean_w"].uncertainty == pytest.approx(np.hypot(0.1, 0.01) / np.sqrt(3.0))
    assert found["charge_ah"].reason == "alternating current moves no net charge"
    silent = {r.name: r for r in reduce_run(ArrayTrace(columns), RunContext("efficiency", "in")).results}
    assert silent["energy_wh"].uncertainty is None
    assert silent["energy_wh"].reason == "the accuracy of the meter for power is not stated"
