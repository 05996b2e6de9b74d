"""Adapters, cables and displays against published limits and worked values.

Level VI and (EU) 2019/1782: the EU's legal table, and an answer that quotes a maker's table for 10 CFR 430.32(w).
CoC v5 Tier 2: averages of basic supplies from secondary sources, the others from memory with continuity at 49 W.
USB-C drops: a page that reproduces the Type-C specification, 4.4.1. The worked numbers were computed from these.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy import stats

from store.methods.adapter import Point, Side, average_of_four, efficiency_points, efficiency_results, is_mains, side_of
from store.methods.cable import fit_line, permitted_drop_v
from store.methods.display import charge_level
from store.methods.registry import reduce_run
from store.model.results import ArrayTrace, MeterAccuracy, Result, Rule, RunContext
from store.uncertainty.accuracy import meter_model
from store.usb.efficiency_limits import limit_of, standards, supply_class

VI, EU, COC = standards()

WORKED = [
    (5, 0.736227, 0.777270, 0.778520, 0.678520, 0.737727, 0.645877),
    (10, 0.787036, 0.819484, 0.821984, 0.721984, 0.790036, 0.697336),
    (15, 0.813851, 0.841272, 0.845022, 0.745022, 0.818351, 0.724801),
    (20, 0.830844, 0.854697, 0.859697, 0.759697, 0.836844, 0.742444),
    (30, 0.850660, 0.869485, 0.876985, 0.776985, 0.859660, 0.763560),
    (45, 0.863476, 0.877273, 0.888523, 0.788523, 0.876976, 0.778326),
    (49, 0.864978, 0.877719, 0.889969, 0.789969, 0.879678, 0.780348),
    (65, 0.870, 0.880, 0.890, 0.790, 0.880, 0.780),
    (100, 0.870, 0.880, 0.890, 0.790, 0.880, 0.780),
]


@pytest.mark.parametrize("row", WORKED)
def test_worked_limits(row: tuple[float, ...]) -> None:
    watts, *expected = row
    found = [
        limit_of(VI, "average", "low-voltage", watts),
        limit_of(VI, "average", "basic", watts),
        limit_of(COC, "average", "basic", watts),
        limit_of(COC, "10 %", "basic", watts),
        limit_of(COC, "average", "low-voltage", watts),
        limit_of(COC, "10 %", "low-voltage", watts),
    ]
    assert found == pytest.approx(expected, abs=5e-7)


@pytest.mark.parametrize("watts", [0.5, 1, 5, 20, 49, 49.01, 100, 250])
@pytest.mark.parametrize("kind", ["basic", "low-voltage"])
@pytest.mark.parametrize("measure", ["average", "no load"])
def test_level_vi_and_the_eu_agree_up_to_250_watts(watts: float, kind: str, measure: str) -> None:
    assert limit_of(VI, measure, kind, watts) == limit_of(EU, measure, kind, watts)
    assert limit_of(EU, measure, kind, 251) is None


def test_ranges_are_closed_at_the_top() -> None:
    assert limit_of(VI, "average", "basic", 49) == pytest.approx(0.877719, abs=5e-7)
    assert limit_of(VI, "average", "basic", 49.01) == 0.880
    assert limit_of(VI, "average", "basic", 1) == pytest.approx(0.660)
    assert limit_of(VI, "average", "low-voltage", 1) == pytest.approx(0.604)
    assert limit_of(VI, "average", "basic", 300) == 0.875


@pytest.mark.parametrize(
    ("standard", "watts", "limit"), [(VI, 49, 0.1), (VI, 65, 0.21), (VI, 300, 0.5), (COC, 49, 0.075), (COC, 65, 0.15)]
)
def test_power_without_load(standard: object, watts: float, limit: float) -> None:
    assert limit_of(standard, "no load", "basic", watts) == limit  # type: ignore[arg-type]
    assert limit_of(VI, "10 %", "basic", watts) is None


def test_which_edition_holds_depends_on_the_day() -> None:
    assert EU.holds_on(date(2026, 2, 1))
    assert not EU.holds_on(date(2028, 12, 14))
    assert not VI.holds_on(date(2016, 2, 9))
    assert VI.holds_on(date(2016, 2, 10))


def test_low_voltage_is_by_output_voltage_and_current() -> None:
    assert supply_class(5.0, 3.0) == "low-voltage"
    assert supply_class(5.0, 0.5) == "basic"
    assert supply_class(6.0, 3.0) == "basic"


def test_average_is_a_mean_of_ratios() -> None:
    """Out 5, 10, 15, 20 W; in 5.70, 11.31, 17.05, 22.96 W: 0.878053; the ratio of sums, 0.876885, is wrong."""
    inputs = {0.25: (5, 5.70), 0.50: (10, 11.31), 0.75: (15, 17.05), 1.00: (20, 22.96)}
    points = [Point(share, out, into, 0, 1) for share, (out, into) in inputs.items()]
    average = average_of_four(points)
    assert average == pytest.approx(0.878053, abs=5e-7)
    assert [point.efficiency for point in points] == pytest.approx([0.877193, 0.884173, 0.879765, 0.871080], abs=5e-7)
    assert pytest.approx(0.876885, abs=5e-7) == 50 / 57.02
    limit = limit_of(VI, "average", "basic", 20)
    assert limit is not None
    assert average is not None
    assert average > limit
    assert average_of_four(points[1:]) is None


def adapter_sides(*, spec: bool = True, shift: float = 0.0) -> tuple[Side, Side]:
    """20 W adapter, 9 V: five levels of 100 s in falling order, with the losses of the worked example at four."""
    rated, inputs = 20 / 9, {1.0: 22.96, 0.75: 17.05, 0.5: 11.31, 0.25: 5.70, 0.10: 2.5}
    shares = np.repeat(list(inputs), 100)
    t = np.arange(len(shares), dtype=float)
    accuracy = MeterAccuracy("M", "0.1%", "0.2%") if spec else MeterAccuracy("M")
    dc = side_of({"t_s": t, "voltage_v": np.full(len(t), 9.0), "current_a": shares * rated}, 0.0, accuracy, is_ac=False)
    watts = np.repeat(list(inputs.values()), 100)
    columns = {"t_s": t - shift, "voltage_v": np.full(len(t), 230.0), "current_a": watts / 115, "power_w": watts}
    ac = side_of(columns, shift, MeterAccuracy("N", "0.1%", "0.2%"), is_ac=True)
    assert dc is not None
    assert ac is not None
    return ac, dc


def named(results: list[Result]) -> dict[str, Result]:
    return {result.name: result for result in results}


def test_levels_are_found_in_two_logs_and_give_the_worked_average() -> None:
    found = named(efficiency_results(*adapter_sides(shift=7.0), 20 / 9))
    assert found["efficiency_average"].value == pytest.approx(0.878053, abs=5e-7)
    assert found["efficiency_100_percent"].value == pytest.approx(0.871080, abs=5e-7)
    assert found["efficiency_10_percent"].value == pytest.approx(2 / 2.5)
    gains = 0.878053 * np.sqrt(2 * 0.001**2 + 2 * 0.002**2) / np.sqrt(3)
    assert found["efficiency_average"].uncertainty == pytest.approx(gains, rel=1e-6)


def test_apparent_power_is_not_taken_for_power() -> None:
    ac, _ = adapter_sides()
    assert ac.power_w[0] == 22.96
    assert ac.power_w[0] < 230.0 * ac.current_a[0]
    assert is_mains("mains", ())
    assert is_mains(None, ("power_factor",))
    assert not is_mains("C1", ("power_w",))


def test_unknown_accuracy_gives_no_uncertainty_and_a_missing_level_no_average() -> None:
    ac, dc = adapter_sides(spec=False)
    found = named(efficiency_results(ac, dc, 20 / 9))
    assert found["efficiency_average"].uncertainty is None
    assert "not stated" in found["efficiency_average"].reason
    short = named(efficiency_results(ac, dc, 40 / 9))
    assert short["efficiency_average"].value is None
    assert "75 %" in short["efficiency_average"].reason
    assert len(efficiency_points(ac, dc, 40 / 9)) == 2


def test_power_without_load_is_the_logged_power_not_volts_times_amperes() -> None:
    columns = {
        "t_s": np.arange(100.0),
        "voltage_v": np.full(100, 230.0),
        "current_a": np.full(100, 0.004),
        "power_w": np.full(100, 0.08),
    }
    context = RunContext("standby", "in", port="mains", meter=MeterAccuracy("N", "0.1%", "0.2%"))
    found = named(list(reduce_run(ArrayTrace(columns), context).results))
    assert found["no_load_w"].value == pytest.approx(0.08)
    assert found["no_load_w"].uncertainty == pytest.approx(0.00289, rel=0.02)
    port = named(list(reduce_run(ArrayTrace(columns), RunContext("standby", "out", port="C1")).results))
    assert "no_load_w" not in port


@pytest.mark.parametrize(
    ("amps", "near", "far", "drop", "mohm", "lost"),
    [(3.00, 5.05, 4.60, 0.45, 150.0, 1.35), (5.00, 20.10, 19.50, 0.60, 120.0, 3.00)],
)
def test_worked_cables(amps: float, near: float, far: float, drop: float, mohm: float, lost: float) -> None:
    columns = {
        "t_s": np.arange(60.0),
        "voltage_v": np.full(60, near),
        "voltage_far_v": np.full(60, far),
        "current_a": np.full(60, amps),
    }
    context = RunContext("cable", "out", meter=MeterAccuracy("M", "0.03%", "0.06%"))
    found = named(list(reduce_run(ArrayTrace(columns), context).results))
    assert found["resistance_mohm"].value == pytest.approx(mohm)
    assert found[f"drop_{amps:.0f}a_v"].value == pytest.approx(drop)
    assert found["loss_w"].value == pytest.approx(lost)
    assert drop <= permitted_drop_v() == 0.75
    assert found["resistance_mohm"].account.rule is Rule.QUOTIENT
    if amps < 5:
        assert found["drop_5a_v"].value is None
        assert "up to 3 A" in found["drop_5a_v"].reason


def test_permitted_resistances() -> None:
    """3 A: 166.667 + 83.333 = 250 mOhm of loop; 5 A: 100 + 50 = 150 mOhm."""
    assert permitted_drop_v() / 3 == pytest.approx(0.250)
    assert permitted_drop_v() / 5 == pytest.approx(0.150)


def test_slope_of_a_noisy_sweep_agrees_with_scipy() -> None:
    rng = np.random.default_rng(7)
    amps = np.repeat([0.3, 1.0, 2.0, 3.0], 50) + 0.001 * rng.standard_normal(200)
    drop = 0.004 + 0.148 * amps + 0.002 * rng.standard_normal(200)
    line, peer = fit_line(amps, drop), stats.linregress(amps, drop)
    assert line.slope == pytest.approx(peer.slope, rel=1e-12)
    assert line.slope_u == pytest.approx(peer.stderr, rel=1e-9)
    columns = {"t_s": np.arange(200.0), "voltage_v": 5.0 + drop, "voltage_far_v": np.full(200, 5.0), "current_a": amps}
    context = RunContext("cable", "out", meter=MeterAccuracy("M", "0.03%", "0.06%"))
    found = named(list(reduce_run(ArrayTrace(columns), context).results))["resistance_mohm"]
    assert found.value == pytest.approx(148, abs=1)
    assert found.account.rule is Rule.SLOPE
    gains = found.value * np.sqrt(0.0003**2 + 0.0006**2) / np.sqrt(3)
    assert found.uncertainty == pytest.approx(np.hypot(gains, 1000 * peer.stderr), rel=1e-6)


def test_drop_is_taken_where_it_was_measured_for_a_warm_cable_resists_more() -> None:
    """0.20 ohm cold and 0.22 ohm at 5 A: 1.10 V there, whatever the slope says."""
    amps = np.repeat([1.0, 2.0, 3.0, 5.0], 50)
    ohm = np.repeat([0.20, 0.202, 0.206, 0.22], 50)
    columns = {
        "t_s": np.arange(200.0),
        "voltage_v": np.full(200, 20.0),
        "voltage_far_v": 20.0 - ohm * amps,
        "current_a": amps,
    }
    found = named(list(reduce_run(ArrayTrace(columns), RunContext("cable", "out")).results))
    assert found["drop_5a_v"].value == pytest.approx(1.10)
    assert found["drop_3a_v"].value == pytest.approx(0.618)
    assert found["drop_5a_v"].uncertainty is None


def test_energy_of_the_mains_side_is_of_the_logged_power() -> None:
    """230 V and 1 A at a power factor of 0.5 for an hour: 115 Wh, not 230."""
    t = np.arange(0.0, 3601.0, 10.0)
    columns = {
        "t_s": t,
        "voltage_v": np.full(len(t), 230.0),
        "current_a": np.ones(len(t)),
        "power_w": np.full(len(t), 115.0),
    }
    found = named(list(reduce_run(ArrayTrace(columns), RunContext("efficiency", "in", port="mains")).results))
    assert found["energy_wh"].value == pytest.approx(115.0)
    assert found["power_mean_w"].value == pytest.approx(115.0)


def test_cable_without_its_far_end_is_absent_with_the_reason() -> None:
    columns = {"t_s": np.arange(9.0), "voltage_v": np.full(9, 5.0), "current_a": np.full(9, 1.0)}
    found = named(list(reduce_run(ArrayTrace(columns), RunContext("cable", "out")).results))
    assert found["resistance_mohm"].value is None
    assert "both ends" in found["resistance_mohm"].reason


def test_charge_level_worked_by_hand() -> None:
    """Half of 50 Wh gone and 60 % shown: 10 points too much; 60 to 45 is a jump, 45 to 35 is none."""
    off, jumps = charge_level(np.array([100.0, 60.0, 45.0, 35.0]), np.array([0.0, 25.0, 29.0, 35.0]), 50.0)
    assert off == pytest.approx(10.0)
    assert jumps == 2


def test_display_against_meter() -> None:
    t = np.arange(0.0, 1201.0)
    volts = np.where(t < 1140, 9.0, 0.0)
    amps = np.where(t < 1140, 2.0, 0.0)
    shown_v, shown_percent = np.full(len(t), np.nan), np.full(len(t), np.nan)
    at = np.arange(0, 1140, 60)
    shown_v[at] = 9.06 + 0.02 * np.array([1, -1] * 10)[: len(at)]
    shown_percent[at] = np.round(100 * (1 - at / 1140.0) ** 2)
    columns = {
        "t_s": t,
        "voltage_v": volts,
        "current_a": amps,
        "display_voltage_v": shown_v,
        "display_percent": shown_percent,
    }
    context = RunContext("display", "out", meter=MeterAccuracy("M", "0.1%", "0.2%"))
    found = named(list(reduce_run(ArrayTrace(columns), context).results))
    shown = shown_v[at]
    assert found["display_voltage_bias_v"].value == pytest.approx(shown.mean() - 9.0)
    assert found["display_voltage_spread_v"].value == pytest.approx(shown.std(ddof=1))
    assert found["display_voltage_error_max_v"].value == pytest.approx(0.08)
    assert found["charge_level_off"].value == pytest.approx(-0.25, abs=0.01)
    assert found["charge_level_jumps"].value == 0


def test_charge_level_of_a_log_that_ends_under_load_is_not_known() -> None:
    t = np.arange(0.0, 600.0)
    columns = {
        "t_s": t,
        "voltage_v": np.full(600, 9.0),
        "current_a": np.full(600, 2.0),
        "display_percent": np.linspace(100, 60, 600),
    }
    found = named(list(reduce_run(ArrayTrace(columns), RunContext("display", "out")).results))
    assert found["charge_level_off"].value is None
    assert "not known" in found["charge_level_off"].reason


def test_display_run_without_a_display_is_absent_with_the_reason() -> None:
    columns = {"t_s": np.arange(9.0), "voltage_v": np.full(9, 5.0), "current_a": np.full(9, 1.0)}
    found = named(list(reduce_run(ArrayTrace(columns), RunContext("display", "out")).results))
    assert found["display_voltage_bias_v"].reason == "the log holds no readings of the display"
    assert meter_model(MeterAccuracy()).voltage is None
