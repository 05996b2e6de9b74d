"""Three efficiencies and runtimes against worked values.

Worked by hand: 20 Ah x 3.7 V = 74.0 Wh of cells, 61.2 Wh delivered, 86.4 Wh to recharge. 57 Wh of 72 Wh: common
practice, no source. Claim at the output's voltage: GB/T 35590-2017's rated capacity, from secondary sources.
"""

from __future__ import annotations

import pytest

from store.judge.derived.ratios import (
    ASSUMED_ADAPTER,
    AdapterEfficiency,
    LoadPoint,
    energy_yield,
    pair_runs,
    ratio,
    runtime_at,
    wall_to_load,
    wasted_share,
)
from store.judge.measured import Measured, RunEvidence
from store.model.results import Flag, Result


def wh(value: float, u: float | None = 0.1, run: int = 1) -> Measured:
    return Measured(value, "Wh", u, (run,))


def test_three_ratios_have_three_values() -> None:
    assert energy_yield(wh(61.2), 74.0).value == pytest.approx(0.827027, abs=1e-6)
    trip = ratio(wh(61.2), wh(86.4, run=2))
    assert trip.value == pytest.approx(0.708333, abs=1e-6)
    assert trip.run_ids == (1, 2)
    through = wall_to_load(trip, ASSUMED_ADAPTER)
    assert through.value == pytest.approx(0.6375)
    assert "assumed" in through.note
    assert wasted_share(through).value == pytest.approx(0.3625)
    assert wasted_share(through).uncertainty == through.uncertainty


def test_average_power_bank() -> None:
    """Common practice, no source: 72 Wh rated, 57 Wh delivered is a yield of 0.79."""
    assert energy_yield(wh(57.0), 72.0).value == pytest.approx(0.79, abs=0.005)


@pytest.mark.parametrize(
    ("share", "energy", "charge", "of_cells"),
    [(0.80, 59.2, 11.84, 0.592), (0.85, 62.9, 12.58, 0.629), (0.90, 66.6, 13.32, 0.666)],
)
def test_capacity_at_the_outputs_voltage(share: float, energy: float, charge: float, of_cells: float) -> None:
    """74 Wh of cells at 5 V: 58 to 67 % of the cells' mAh is what a case may state. Common practice."""
    assert energy_yield(wh(energy), 74.0).value == pytest.approx(share)
    assert energy / 5.0 == pytest.approx(charge)
    assert charge / 20.0 == pytest.approx(of_cells)


def test_measured_adapter_is_named() -> None:
    adapter = AdapterEfficiency(0.88, 0.004, is_measured=True, words="measured on AD-01", run_ids=(7, 8))
    through = wall_to_load(ratio(wh(61.2), wh(86.4, run=2)), adapter)
    assert through.note == "measured on AD-01"
    assert through.run_ids == (1, 2, 7, 8)


POINTS = [LoadPoint(10.0, wh(60.0, 0.2, 1), held=True), LoadPoint(30.0, wh(56.0, 0.2, 2), held=True)]


def test_runtime_at_a_tested_load_is_its_energy_over_the_load() -> None:
    found = runtime_at(30.0, POINTS)
    assert found.hours is not None
    assert found.hours.value == pytest.approx(56 / 30)
    assert found.hours.uncertainty == pytest.approx(0.2 / 30)


def test_runtime_between_loads_is_interpolated_with_what_the_line_may_miss() -> None:
    found = runtime_at(15.0, POINTS)
    assert found.hours is not None
    assert found.hours.value == pytest.approx(59.0 / 15)
    assert found.hours.uncertainty is not None
    assert found.hours.uncertainty > 0.2 / 15
    assert found.hours.run_ids == (1, 2)
    assert "between tests at 10 W and 30 W" in found.reason


def test_runtime_is_never_said_past_the_largest_load_that_held() -> None:
    points = [*POINTS, LoadPoint(60.0, wh(40.0), held=False)]
    found = runtime_at(45.0, points)
    assert found.hours is None
    assert found.reason == "The largest load that held is 30 W; larger loads are not estimated."
    assert runtime_at(5.0, [points[2]]).hours is None


def test_runtime_under_the_lightest_load_uses_its_energy_and_says_so() -> None:
    found = runtime_at(5.0, POINTS)
    assert found.hours is not None
    assert found.hours.value == pytest.approx(12.0)
    assert "lightest load tested" in found.reason


def test_runtime_with_an_unknown_uncertainty_is_unknown() -> None:
    found = runtime_at(15.0, [LoadPoint(10.0, wh(60.0, None), held=True), POINTS[1]])
    assert found.hours is not None
    assert found.hours.uncertainty is None


@pytest.mark.parametrize("load", [0.0, -1.0, float("nan")])
def test_no_load_has_no_runtime(load: float) -> None:
    with pytest.raises(ValueError, match="more than 0 W"):
        runtime_at(load, POINTS)


def a_run(number: int, kind: str, started: str, ambient: float | None = 22.0, **more: object) -> RunEvidence:
    name = "energy_out_wh" if kind == "discharge" else "energy_in_wh"
    flags = frozenset(more.pop("flags", ()))  # type: ignore[arg-type]
    result = Result(name, 50.0, "Wh", 0.1, "energy", 1, flags=flags)  # type: ignore[arg-type]
    return RunEvidence(
        number, "C1", "fixed 20 V", kind, ambient_c=ambient, started=started, results={name: result}, **more
    )  # type: ignore[arg-type]


def pairs(*runs: RunEvidence) -> list[tuple[int, int]]:
    return [(pair.discharge.run_id, pair.recharge.run_id) for pair in pair_runs(runs)]


def test_discharge_pairs_with_the_recharge_that_puts_it_back() -> None:
    runs = [
        a_run(1, "recharge", "2026-02-01T08"),
        a_run(2, "discharge", "2026-02-01T12"),
        a_run(3, "recharge", "2026-02-01T16"),
        a_run(4, "discharge", "2026-02-02T12"),
    ]
    assert pairs(*runs) == [(2, 3), (4, 3)]


def test_ambients_over_three_kelvin_apart_do_not_pair() -> None:
    assert pairs(a_run(1, "discharge", "1", 22.0), a_run(2, "recharge", "2", 35.0)) == []
    assert pairs(a_run(1, "discharge", "1", 22.0), a_run(2, "recharge", "2", 25.0)) == [(1, 2)]


def test_lower_bounds_rejected_runs_and_shared_discharges_do_not_pair() -> None:
    bound = a_run(1, "discharge", "1", flags={Flag.AT_LEAST})
    assert pairs(bound, a_run(2, "recharge", "2")) == []
    assert pairs(a_run(1, "discharge", "1", quality="suspect"), a_run(2, "recharge", "2")) == []
    both = [a_run(1, "discharge", "1", group_id=9), a_run(3, "discharge", "1", group_id=9)]
    twin = RunEvidence(4, "A1", None, "discharge", group_id=9, results=both[0].results)
    assert pairs(both[0], twin, a_run(2, "recharge", "2")) == []
