"""Degrees of freedom, correlation, clocks and many comparisons against SciPy, the GUM and published tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from store.uncertainty.clock import ASSUMED, ClockError, clock_part, parse_clock
from store.uncertainty.correlation import RHO_ACROSS, RHO_WITHIN, gain_correlation, ratio_u_rel
from store.uncertainty.freedom import coverage_factor, effective_dof, expanded, judged_dof
from store.uncertainty.several import difference_factor, holm, studentized_range
from store.uncertainty.student import t_cdf, t_quantile


@pytest.mark.parametrize("degrees", [0.7, 1.0, 1.5, 2.6912, 3.3, 7.9, 18.9987, 250.5, 1e6, math.inf])
@pytest.mark.parametrize("probability", [0.01, 0.3, 0.8, 0.975, 0.97725])
def test_t_with_broken_degrees_agrees_with_scipy(probability: float, degrees: float) -> None:
    wanted = stats.norm.ppf(probability) if math.isinf(degrees) else stats.t.ppf(probability, degrees)
    assert t_quantile(probability, degrees) == pytest.approx(wanted, rel=1e-7)
    assert t_cdf(wanted, degrees) == pytest.approx(probability, abs=1e-9)


def test_coverage_factors_are_those_of_the_gums_table() -> None:
    """GUM table G.2, column 95.45 %, from memory and as SciPy has it."""
    for dof, wanted in {
        1: 13.9678,
        2: 4.5266,
        3: 3.3068,
        4: 2.8693,
        5: 2.6487,
        10: 2.2837,
        20: 2.1330,
        50: 2.0513,
    }.items():
        assert coverage_factor(dof) == pytest.approx(wanted, rel=3e-5)
        assert coverage_factor(dof) == pytest.approx(stats.t.ppf(0.5 + 0.5 * 0.9544997361036416, dof), rel=1e-7)
    assert coverage_factor(math.inf) == 2.0
    assert expanded(0.3, 4.0) == pytest.approx(0.3 * 2.8693, abs=1e-4)


def test_welch_satterthwaite() -> None:
    """GUM G.4.1: 0.25 % (9), 0.57 % (4), 0.82 % (14) give 1.03 % with 19; three budgets recomputed."""
    assert effective_dof([(0.25, 9), (0.57, 4), (0.82, 14)]) == pytest.approx(18.9987, abs=1e-3)
    assert effective_dof([(0.10, math.inf), (0.05, 2)]) == pytest.approx(50.0)
    assert effective_dof([(0.05, math.inf), (0.05, 2)]) == pytest.approx(8.0)
    assert effective_dof([(0.02, math.inf), (0.05, 2)]) == pytest.approx(2.6912, abs=1e-4)
    assert math.isinf(effective_dof([(0.1, math.inf)]))
    assert [judged_dof(share) for share in (0.10, 0.25, 0.50)] == pytest.approx([50.0, 8.0, 2.0])


def test_ratio_of_two_results_of_one_meter() -> None:
    """sqrt(2 (1 - rho)) x 0.5 % = 0.7071, 0.5, 0.2236, 0 %; GUM 5.2.2 with ten resistors of one standard."""
    for rho, wanted in {0.0: 0.7071, 0.5: 0.5, 0.9: 0.2236, 1.0: 0.0}.items():
        assert ratio_u_rel(0.5, 0.5, rho) == pytest.approx(wanted, abs=1e-4)
    assert gain_correlation(same_meter=True, same_range=True, same_day=True) == RHO_WITHIN == 0.9
    assert gain_correlation(same_meter=True, same_range=False, same_day=True) == RHO_ACROSS == 0.5
    assert gain_correlation(same_meter=False, same_range=True, same_day=True) == 0.0
    assert ratio_u_rel(0.5, 0.5, 1.0, 0.03, 0.04) == pytest.approx(0.05)


def test_a_ratios_spread_is_that_of_a_monte_carlo() -> None:
    """Two gains that go together by 0.9, each with scatter of its own."""
    draw = np.random.default_rng(4)
    shared, a, b = draw.standard_normal((3, 400_000))
    first = 1.0 + 0.004 * (math.sqrt(0.9) * shared + math.sqrt(0.1) * a) + 0.001 * draw.standard_normal(400_000)
    second = 1.0 + 0.004 * (math.sqrt(0.9) * shared + math.sqrt(0.1) * b) + 0.002 * draw.standard_normal(400_000)
    assert float(np.std(first / second)) == pytest.approx(ratio_u_rel(0.004, 0.004, 0.9, 0.001, 0.002), rel=0.01)


@pytest.mark.parametrize("count", [2, 3, 5, 9, 15, 20])
@pytest.mark.parametrize("dof", [2.0, 4.0, 7.0, 11.5, 20.0, 27.0, 35.0, 90.0, 500.0, math.inf])
def test_studentized_range_agrees_with_scipy(count: int, dof: float) -> None:
    wanted = stats.studentized_range.ppf(0.95, count, dof)
    assert studentized_range(count, dof) == pytest.approx(wanted, rel=1e-3)


def test_published_points_of_the_studentized_range() -> None:
    """q(4; 30) 3.845, q(4; 40) 3.791 (a public table of Tukey's test); q / sqrt 2 for 2 to 10 (of Nemenyi's)."""
    assert studentized_range(4, 30) == pytest.approx(3.845, abs=1e-3)
    assert studentized_range(4, 40) == pytest.approx(3.791, abs=1e-3)
    wanted = [1.960, 2.343, 2.569, 2.728, 2.850, 2.949, 3.031, 3.102, 3.164]
    assert [difference_factor(k) for k in range(2, 11)] == pytest.approx(wanted, abs=1e-3)
    assert difference_factor(2, 8.0) == pytest.approx(stats.t.ppf(0.975, 8), rel=1e-3)


@pytest.mark.parametrize("count", [2, 5, 9, 15, 25])
def test_of_equal_things_some_pair_differs_in_one_of_twenty_comparisons(count: int) -> None:
    values = np.random.default_rng(count).standard_normal((40_000, count))
    span = values.max(axis=1) - values.min(axis=1)
    false = float((span > math.sqrt(2.0) * difference_factor(count)).mean())
    assert 0.03 < false < 0.055
    assert float((span > math.sqrt(2.0) * 1.96).mean()) > (0.045 if count == 2 else 0.2)


def test_holm_as_published() -> None:
    """Worked in a public statistics package's documentation, and a second set recomputed."""
    assert holm([0.50, 0.003, 0.32, 0.054, 0.0003]) == pytest.approx([0.64, 0.012, 0.64, 0.162, 0.0015])
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])


def test_clocks_are_read_as_people_write_them() -> None:
    assert parse_clock("50 ppm").limit == pytest.approx(50e-6)
    assert parse_clock("±0,01 %").limit == pytest.approx(1e-4)
    assert parse_clock("2 s/day").limit == pytest.approx(2.0 / 86400.0)
    assert parse_clock("").limit == ASSUMED
    assert parse_clock("").is_assumed
    part = clock_part(parse_clock(""), 3600.0, "meter M1")
    assert part.standard_uncertainty == pytest.approx(3.6 / math.sqrt(3.0))
    assert "assumed" in part.detail
    assert "50 ppm" in clock_part(parse_clock("50 ppm"), 1.0, "meter M1").detail


@pytest.mark.parametrize("text", ["good", "50", "ppm", "20 %", "-3 ppm"])
def test_clocks_that_cannot_be_read_are_refused_with_a_form_that_can(text: str) -> None:
    with pytest.raises(ClockError, match="50 ppm"):
        parse_clock(text)
