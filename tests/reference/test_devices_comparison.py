"""Comparisons against worked numbers.

Formulas: GUM eq. 16 (differences), ISO 13528:2015 (En), ISO 5725-6:1994 (limits of repeats; the critical difference is
from memory), Schenker and Gentleman 2001 (overlap is not the test), Mogstad et al. (rank sets). The numbers were worked
by hand from them; Monte Carlo figures are good to 0.005.
"""

from __future__ import annotations

import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats
from uncertainties import correlated_values, ufloat

from store.judge.derived.ratios import ratio
from store.judge.differences import (
    COMPARISON_BAR,
    chances_of_best,
    difference,
    leaders,
    least_difference,
    rank_sets,
    repeatability_limit,
    unlike,
)
from store.judge.measured import Measured, RunEvidence, covariance, measured
from store.judge.pooling import pool, pooled_scatter
from store.model.results import Contribution, Result

NAMES = "ABCD"
ENERGY = {"A": (57.4, 1.2), "B": (56.1, 1.2), "C": (55.9, 1.5), "D": (52.0, 1.1)}
"""Delivered energy and its expanded uncertainty (k = 2), Wh."""


def value(name: str) -> Measured:
    mean, expanded = ENERGY[name]
    return Measured(mean, "Wh", expanded / 2)


@pytest.mark.parametrize(
    ("pair", "d", "expanded", "en", "chance", "apart"),
    [
        ("AB", 1.30, 1.697, 0.766, 0.9372, False),
        ("AC", 1.50, 1.921, 0.781, 0.9408, False),
        ("BC", 0.20, 1.921, 0.104, 0.5825, False),
        ("AD", 5.40, 1.628, 3.317, 1.0000, True),
        ("BD", 4.10, 1.628, 2.519, 1.0000, True),
        ("CD", 3.90, 1.860, 2.097, 1.0000, True),
    ],
)
def test_differences(pair: str, d: float, expanded: float, en: float, chance: float, *, apart: bool) -> None:
    found = difference(value(pair[0]), value(pair[1]))
    assert found.value == pytest.approx(d)
    assert found.expanded == pytest.approx(expanded, abs=5e-4)
    assert found.en == pytest.approx(en, abs=5e-4)
    assert found.chance_larger == pytest.approx(chance, abs=5e-5)
    assert found.is_told_apart is apart


def test_overlap_is_not_the_test() -> None:
    """Intervals that just touch differ by 4u where 2.83u would do: two-sided p = 0.0047."""
    first, second = Measured(10.0, "Wh", 1.0), Measured(6.9, "Wh", 1.0)
    assert first.value - 2.0 < second.value + 2.0
    assert difference(first, second).is_told_apart
    touching = difference(first, Measured(6.0, "Wh", 1.0))
    assert touching.uncertainty is not None
    assert 2 * stats.norm.sf(touching.value / touching.uncertainty) == pytest.approx(0.0047, abs=5e-5)
    assert pytest.approx(1.414, abs=5e-4) == COMPARISON_BAR


def run(energy: float, gain: float, rest: float, meter: str, number: int = 1, day: str = "2026-02-10") -> RunEvidence:
    """A run whose energy has a relative gain uncertainty and a rest [Wh] of its own, both standard."""
    budget = (
        Contribution("gain of I", gain * energy, "B", "rectangular", is_common=True),
        Contribution("time step", rest, "A", "normal"),
    )
    u = math.hypot(gain * energy, rest)
    result = Result("energy_out_wh", energy, "Wh", u, "energy", 1, budget=budget)
    results = {"energy_out_wh": result}
    return RunEvidence(number, "C1", "fixed 20 V", "discharge", meter=meter, results=results, started=day)


def taken(tested: RunEvidence) -> Measured:
    found = measured(tested, "energy_out_wh")
    assert found is not None
    return found


def test_errors_that_are_one_cancel() -> None:
    """Gain 0.8 % (k = 2) common, rest u = 0.25 Wh: U_d 0.955 independent, 0.707 with the shared gain."""
    first, second = (
        Measured(e, "Wh", math.hypot(0.004 * e, 0.25), common={("M1", "gain"): 0.004 * e}) for e in (57.4, 56.1)
    )
    shared = difference(first, second)
    assert shared.expanded == pytest.approx(0.707, abs=5e-4)
    assert shared.en == pytest.approx(1.84, abs=5e-3)
    assert shared.correlation == pytest.approx(0.452, abs=5e-3)


@pytest.mark.parametrize(("day", "rho"), [("2026-02-10", 0.9), ("2026-02-11", 0.5), ("", 0.5)])
def test_gain_that_one_meter_shares_cancels_in_part(day: str, rho: float) -> None:
    """A meter's gain correlates by 0.9 in one mode on one day, by 0.5 otherwise (assumed); GUM eq. 16 does the rest."""
    first, second = taken(run(57.4, 0.004, 0.25, "M1")), taken(run(56.1, 0.004, 0.25, "M1", 2, day))
    a, b = 0.004 * 57.4, 0.004 * 56.1
    wanted = 2 * math.sqrt(a * a + b * b - 2 * rho * a * b + 2 * 0.25**2)
    assert difference(first, second).expanded == pytest.approx(wanted, rel=1e-9)
    other = difference(first, taken(run(56.1, 0.004, 0.25, "M2")))
    assert other.correlation == 0.0
    assert other.expanded == pytest.approx(0.9556, abs=5e-4)
    assert other.en == pytest.approx(1.36, abs=5e-3)


REPEATS = {
    "A": [57.1, 57.6, 57.5],
    "B": [56.3, 55.8, 56.2],
    "C": [56.0, 55.2, 56.5],
    "D": [52.1, 51.8, 52.1],
}


def test_limits_of_repeats() -> None:
    scatter = pooled_scatter(list(REPEATS.values()))
    assert scatter is not None
    assert (scatter.sd, scatter.degrees) == (pytest.approx(0.3873, abs=5e-5), 8)
    assert repeatability_limit(scatter) == pytest.approx(1.084, abs=1e-3)
    assert least_difference(scatter, 1, 1) == pytest.approx(1.263, abs=1e-3)
    assert least_difference(scatter, 3, 3) == pytest.approx(0.729, abs=1e-3)
    assert least_difference(scatter, 3, 3, pairs=6) == pytest.approx(1.100, abs=1e-3)
    assert repeatability_limit(scatter) * math.sqrt(1 / 6 + 1 / 6) == pytest.approx(0.626, abs=1e-3)
    assert stats.studentized_range.ppf(0.95, 4, 8) * scatter.sd / math.sqrt(3) == pytest.approx(1.013, abs=1e-3)


def test_repeats_alone_give_the_intervals_of_tukey_and_kramer() -> None:
    """With an exact meter the limits of all pairs are those of scipy.stats.tukey_hsd, unequal counts included."""
    repeats = [[61.2, 61.0, 61.5], [60.1, 60.4, 60.2], [62.0, 61.7, 61.9, 62.1]]
    scatter = pooled_scatter(repeats)
    assert scatter is not None
    assert (scatter.sd, scatter.degrees) == (pytest.approx(0.193033, abs=1e-6), 7)
    items = [pool([Measured(x, "Wh", 0.0) for x in values], scatter) for values in repeats]
    peer = stats.tukey_hsd(*repeats).confidence_interval(0.95)
    for i, j in ((0, 1), (0, 2), (1, 2)):
        found = difference(items[i], items[j], 3)
        assert found.value - (found.expanded or 0.0) == pytest.approx(peer.low[i, j], abs=1e-3)
        assert found.value + (found.expanded or 0.0) == pytest.approx(peer.high[i, j], abs=1e-3)
    scatter = pooled_scatter(list(REPEATS.values()))
    a, b = (pool([Measured(x, "Wh", 0.0) for x in REPEATS[name]], scatter) for name in "AB")
    assert difference(a, b, 4).expanded == pytest.approx(1.013, abs=1e-3)


def test_rank_sets_share() -> None:
    sets = rank_sets([value(name) for name in NAMES])
    assert [item.words() for item in sets] == ["shared 1-3", "shared 1-3", "shared 1-3", "4"]
    turned = rank_sets([value(name) for name in NAMES], larger_is_better=False)
    assert [item.words() for item in turned] == ["shared 2-4", "shared 2-4", "shared 2-4", "1"]


def test_leaders_are_all_that_are_not_told_apart_from_the_best() -> None:
    assert leaders([value(name) for name in NAMES]) == (0, 1, 2)
    assert leaders([value(name) for name in NAMES], larger_is_better=False) == (3,)
    assert leaders([value("A")]) == ()


def test_not_told_apart_is_not_chained() -> None:
    """A ~ B and B ~ C, but A > C: C does not lead, and its rank is no 1."""
    line = [Measured(10.0, "Wh", 0.5), Measured(8.8, "Wh", 0.5), Measured(7.6, "Wh", 0.5)]
    assert leaders(line) == (0, 1)
    assert [item.words() for item in rank_sets(line)] == ["shared 1-2", "shared 1-3", "shared 2-3"]


def test_chance_of_being_best() -> None:
    """P(A best) by integration 0.8921; Monte Carlo 0.893, 0.055, 0.052, 0."""
    chances = chances_of_best([value(name) for name in NAMES])
    assert chances[0] == pytest.approx(0.8921, abs=1e-4)
    assert chances == pytest.approx([0.893, 0.055, 0.052, 0.0], abs=0.005)
    assert sum(chances) == pytest.approx(1.0, abs=1e-9)

    def density(x: float) -> float:
        others = math.prod(stats.norm.cdf(x, ENERGY[n][0], ENERGY[n][1] / 2) for n in "BCD")
        return stats.norm.pdf(x, 57.4, 0.6) * others

    assert chances[0] == pytest.approx(integrate.quad(density, 50, 65)[0], abs=1e-9)


def test_unknown_uncertainty_tells_nothing_apart_and_gives_no_chance() -> None:
    found = difference(Measured(60.0, "Wh", None), Measured(10.0, "Wh", 0.1))
    assert (found.expanded, found.en, found.chance_larger, found.is_told_apart) == (None, None, None, False)
    with pytest.raises(ValueError, match="known uncertainties"):
        chances_of_best([Measured(60.0, "Wh", None), Measured(10.0, "Wh", 0.1)])


def test_unlike_conditions_are_said() -> None:
    assert unlike({"load": ["30 W", "30 W"], "port": ["C1", "C1"]}) == ()
    assert unlike({"load": ["30 W", "60 W", None]}) == ("Not at one load: 30 W, 60 W.",)


def test_ratio_of_independent_energies() -> None:
    """29.60 / 37.00, u 0.10 and 0.12 Wh: 0.800, uc 0.00374653 (GUM 5.1.6)."""
    found = ratio(Measured(29.60, "Wh", 0.10), Measured(37.00, "Wh", 0.12))
    assert found.value == pytest.approx(0.8)
    assert found.uncertainty == pytest.approx(0.00374653, abs=1e-8)
    peer = ufloat(29.60, 0.10) / ufloat(37.00, 0.12)
    assert found.uncertainty == pytest.approx(peer.std_dev, rel=1e-12)


@given(
    top=st.floats(1, 200),
    bottom=st.floats(1, 200),
    gain=st.floats(0, 0.02),
    rest=st.floats(0.001, 1),
)
def test_ratio_by_one_meter_agrees_with_correlated_values(top: float, bottom: float, gain: float, rest: float) -> None:
    """Against the `uncertainties` package with the full covariance matrix; gains correlate by 0.9 (assumed)."""
    first, second = taken(run(top, gain, rest, "M1", 1)), taken(run(bottom, gain, rest, "M1", 2))
    matrix = [
        [(gain * top) ** 2 + rest**2, 0.9 * gain**2 * top * bottom],
        [0.9 * gain**2 * top * bottom, (gain * bottom) ** 2 + rest**2],
    ]
    a, b = correlated_values([top, bottom], np.array(matrix))
    assert covariance(first, second) == pytest.approx(0.9 * gain**2 * top * bottom, rel=1e-9, abs=1e-15)
    assert ratio(first, second).uncertainty == pytest.approx((a / b).std_dev, rel=1e-6)
    u = difference(first, second).uncertainty
    assert u == pytest.approx((a - b).std_dev, rel=1e-6)


def test_ratio_by_one_meter_keeps_what_its_gain_does_not_share() -> None:
    """Gains of 0.5 % each: sqrt(2 (1 - rho)) x 0.5 % is left, 0.2236 % for rho 0.9 and 0.7071 % for two meters."""
    same = ratio(taken(run(61.2, 0.005, 0.0, "M1")), taken(run(86.4, 0.005, 0.0, "M1")))
    apart = ratio(taken(run(61.2, 0.005, 0.0, "M1")), taken(run(86.4, 0.005, 0.0, "M2")))
    assert same.uncertainty == pytest.approx(0.708333 * 0.002236, rel=1e-4)
    assert apart.uncertainty == pytest.approx(0.708333 * 0.005 * math.sqrt(2), rel=1e-5)


def test_repeats_are_a_mean_with_spread_and_count_not_the_best_one() -> None:
    runs = [taken(run(energy, 0.002, 0.05, "M1", number)) for number, energy in enumerate(REPEATS["A"], 1)]
    mean = pool(runs)
    assert (mean.value, mean.count, mean.run_ids) == (pytest.approx(57.4), 3, (1, 2, 3))
    assert mean.spread == pytest.approx(statistics.stdev(REPEATS["A"]))
    random = statistics.stdev(REPEATS["A"]) / math.sqrt(3)
    whole = math.hypot(0.002 * 57.4, random)
    assert mean.uncertainty == pytest.approx(whole, rel=1e-6)
    assert mean.dof == pytest.approx(2 * (whole / random) ** 4, rel=1e-6)
    assert mean.expanded == pytest.approx(stats.t.ppf(0.97725, mean.dof) * whole, rel=1e-4)


def test_lucky_repeats_are_no_better_than_their_budget() -> None:
    """Three values that agree by chance: the parts that each test draws anew average out, and no more."""
    runs = [taken(run(57.4, 0.002, 0.05, "M1", number)) for number in range(3)]
    assert pool(runs).uncertainty == pytest.approx(math.hypot(0.002 * 57.4, 0.05 / math.sqrt(3)), rel=1e-6)
    assert pool(runs).dof is None


def test_one_tested_once_takes_the_repeatability_of_others() -> None:
    scatter = pooled_scatter([REPEATS["A"], REPEATS["B"]])
    assert scatter is not None
    once = pool([Measured(57.0, "Wh", 0.05)], scatter)
    assert once.uncertainty == pytest.approx(scatter.sd * 57.0 / scatter.level, rel=1e-9)
    assert once.dof == pytest.approx(4)
    assert pool([Measured(20.0, "Wh", 0.05)], scatter).uncertainty == pytest.approx(scatter.sd, rel=1e-9)
    wild = pool([Measured(x, "Wh", 0.05) for x in (52.0, 60.0)], scatter)
    assert wild.dof == pytest.approx(1)
    assert wild.uncertainty == pytest.approx(4.0, rel=1e-9)


def test_shared_gain_does_not_average_out_of_repeats() -> None:
    runs = [taken(run(57.4, 0.01, 0.01, "M1", number)) for number in range(4)]
    assert pool(runs).uncertainty == pytest.approx(math.hypot(0.574, 0.005), rel=1e-6)


def test_repeats_with_an_unknown_uncertainty_are_unknown() -> None:
    assert pool([Measured(1.0, "Wh", None), Measured(1.1, "Wh", 0.1)]).uncertainty is None
    with pytest.raises(ValueError, match="Nothing"):
        pool([])
