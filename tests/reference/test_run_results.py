"""Run results against closed forms and NIST StRD data (public domain)."""

from __future__ import annotations

import numpy as np
import pytest

from store.methods.heat_steady import steady_since
from store.signal.heatfit import fit_first_order, judged
from store.signal.integrate import bilinear_steps, trapezoid_steps
from store.signal.statistics import lag_one, moments
from store.uncertainty.accuracy import SpecError, parse_spec

MISRA_X = np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0])
MISRA_Y = np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78])
BOX_X, BOX_Y = np.array([1, 2, 3, 5, 7, 10.0]), np.array([109, 149, 149, 191, 213, 224.0])


@pytest.mark.parametrize(
    ("first", "pair"), [(1.2, (1.1, 1.3)), (1000000.2, (1000000.1, 1000000.3)), (10000000.2, (10000000.1, 10000000.3))]
)
def test_spread_survives_a_large_offset(first: float, pair: tuple[float, float]) -> None:
    """NIST StRD NumAcc2-4: sd 0.1, lag-1 -0.999; at 1e7 a double holds 0.1 to 2e-8."""
    y = np.array([first, *pair * 500])
    assert moments(y, np.ones(1001)) == pytest.approx((first, 0.1), rel=1e-8)
    assert lag_one(y) == pytest.approx(-0.999, abs=1e-7)


def test_misra1a_matches_and_is_short_of_its_plateau() -> None:
    """NIST StRD Misra1a, certified values."""
    fit = fit_first_order(MISRA_X, MISRA_Y, start=0.0)
    assert (fit.rise, 1 / fit.tau) == pytest.approx((2.3894212918e2, 5.5015643181e-4), rel=1e-8)
    assert (fit.rise_se, fit.tau_se / fit.tau**2) == pytest.approx((2.7070075241, 7.2668688436e-6), rel=1e-6)
    assert fit.is_short
    assert fit.covers == pytest.approx(0.418, abs=0.001)


def test_boxbod_matches_and_its_first_start_is_refused() -> None:
    """NIST StRD BoxBOD, certified values; from start 1 an optimiser ends at (172.5, 110.9)."""
    fit = fit_first_order(BOX_X, BOX_Y, start=0.0)
    assert (fit.rise, 1 / fit.tau) == pytest.approx((2.1380940889e2, 5.4723748542e-1), rel=1e-7)
    assert not fit.refusal
    assert "do not determine" in judged(BOX_X, BOX_Y, rise=172.5, tau=1 / 110.9).refusal


def test_product_of_two_ramps_is_exact_by_the_bilinear_rule() -> None:
    """Closed form: V 4.2 to 3.0, I 2 to 1 over an hour is 5.5 Wh; the trapezoid of P gives 5.7."""
    v, i, hour = np.array([4.2, 3.0]), np.array([2.0, 1.0]), np.ones(1)
    assert bilinear_steps(hour, v, i)[0] == pytest.approx(5.5, rel=1e-15)
    assert trapezoid_steps(hour, v * i)[0] == pytest.approx(5.7, rel=1e-15)


@pytest.mark.parametrize(("rise", "window", "moment"), [(3, 1800, 4260.123), (1, 300, 2571.007), (1, 900, 4214.213)])
def test_steady_rules_meet_the_worked_curve(rise: float, window: float, moment: float) -> None:
    """T = 25 + 30 (1 - exp(-t/1200)); moments computed in closed form, 1 s steps interpolated to a few ms."""
    t = np.arange(10001.0)
    assert steady_since(t, 25 - 30 * np.expm1(-t / 1200), rise, window) == pytest.approx(moment, abs=0.01)


def test_meter_specification_gives_the_worked_limit() -> None:
    """GUM 4.3.7: 0.05 % of 5.020 V and 2 digits of 1 mV."""
    spec = parse_spec("0.05% + 2d(0.001)")
    assert spec is not None
    assert (spec.limit(5.02), spec.reading_u(5.02)) == pytest.approx((0.00451, 0.00260385), rel=1e-5)
    assert parse_spec(" ") is None
    with pytest.raises(SpecError, match="can't read 'abc'"):
        parse_spec("0.05% + abc")
