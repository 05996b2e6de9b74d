"""Verdicts against ILAC-G8:09/2019 and JCGM 106:2012.

Probabilities are computed from the normal distribution and checked against SciPy; zones are those of ILAC-G8 4.2
(secondary sources). The Zener example of JCGM 106 is from memory, its arithmetic is checked.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from store.uncertainty.decision import (
    MET,
    NOT_MET,
    TOO_CLOSE,
    Limits,
    decide,
    decide_zone,
    limits_of,
    probability_of_conformity,
)

WORKED = [
    (5.10, "pass", MET, 0.998650),
    (5.17, "conditional pass", TOO_CLOSE, 0.945201),
    (5.25, "conditional pass", TOO_CLOSE, 0.500000),
    (5.28, "conditional fail", TOO_CLOSE, 0.274253),
    (5.33, "conditional fail", TOO_CLOSE, 0.054799),
    (5.40, "fail", NOT_MET, 0.001350),
]


@pytest.mark.parametrize(("value", "zone", "verdict", "chance"), WORKED)
def test_worked_upper_limit(value: float, zone: str, verdict: str, chance: float) -> None:
    """Upper limit 5.25 V, u 0.05 V, U = w = 0.10 V."""
    decision = decide(value, 0.05, Limits(upper=5.25))
    assert decision.verdict == verdict
    assert decision.probability == pytest.approx(chance, abs=1e-6)
    assert decide_zone(value, 0.05, Limits(upper=5.25)) == zone


def test_worked_two_sided_interval() -> None:
    assert probability_of_conformity(4.80, 0.05, Limits(4.75, 5.25)) == pytest.approx(0.841345, abs=1e-6)


def test_zener_diode_of_jcgm_106() -> None:
    """-5.47 V, u 0.05 V, upper limit -5.40 V: Phi(1.4), published 0.92."""
    assert probability_of_conformity(-5.47, 0.05, Limits(upper=-5.40)) == pytest.approx(0.919243, abs=1e-6)


@pytest.mark.parametrize(
    ("multiple", "risk"), [(3.0, 9.87e-10), (1.5, 0.00134990), (1.0, 0.0227501), (0.83, 0.0484572), (0.0, 0.5)]
)
def test_worst_false_acceptance_of_guard_bands(multiple: float, risk: float) -> None:
    """ILAC-G8 table of guard bands: w = rU, U = 2u; a value at the acceptance limit."""
    value = 10.0 - multiple * 2 * 0.05
    assert 1 - probability_of_conformity(value, 0.05, Limits(upper=10.0)) == pytest.approx(risk, rel=2e-3)


def test_exactly_inside_by_the_guard_band_is_met_in_spite_of_float_rounding() -> None:
    assert decide(5.25 - 0.10, 0.05, Limits(upper=5.25)).verdict == MET
    assert decide(48.0 + 0.2, 0.1, Limits(lower=48.0)).verdict == MET
    assert decide(47.8, 0.1, Limits(lower=48.0)).verdict == NOT_MET


def test_on_the_limit_with_no_uncertainty_is_met() -> None:
    assert decide(48.0, 0.0, Limits(lower=48.0)).verdict == MET
    assert decide(3.7 * 26.8, 0.0, Limits(upper=99.16)).verdict == MET
    assert decide(47.999999, 0.0, Limits(lower=48.0)).verdict == NOT_MET


def test_unknown_uncertainty_is_not_zero() -> None:
    near = decide(48.5, None, Limits(lower=48.0))
    assert near.verdict == TOO_CLOSE
    assert near.probability is None
    assert "unknown" in near.reason
    far = decide(40.0, None, Limits(lower=48.0))
    assert (far.verdict, far.probability) == (NOT_MET, None)
    assert "unknown" in far.reason
    assert decide(60.0, None, Limits(lower=48.0)).verdict == MET


def test_about_is_an_interval_that_an_uncertain_value_can_not_meet_when_it_is_narrower() -> None:
    limits = limits_of("about", 100.0, 1.0)
    assert (limits.lower, limits.upper) == (99.0, 101.0)
    assert decide(100.0, 1.0, limits).verdict == TOO_CLOSE
    assert decide(100.0, 0.5, limits).verdict == MET
    assert decide(105.0, 1.0, limits).verdict == NOT_MET


@given(
    value=st.floats(-100, 100),
    uncertainty=st.floats(0.01, 10),
    lower=st.floats(-100, 100),
    width=st.floats(0, 50),
)
def test_probability_agrees_with_scipy(value: float, uncertainty: float, lower: float, width: float) -> None:
    limits = Limits(lower, lower + width)
    expected = norm.cdf(lower + width, value, uncertainty) - norm.cdf(lower, value, uncertainty)
    assert probability_of_conformity(value, uncertainty, limits) == pytest.approx(expected, abs=1e-12)


@given(value=st.floats(0, 100), uncertainty=st.floats(0.001, 5), limit=st.floats(1, 99))
def test_a_bound_and_its_opposite_never_both_hold(value: float, uncertainty: float, limit: float) -> None:
    first = decide(value, uncertainty, Limits(lower=limit)).verdict
    second = decide(value, uncertainty, Limits(upper=limit)).verdict
    assert {first, second} in ({MET, NOT_MET}, {TOO_CLOSE})


@pytest.mark.parametrize(("bound", "tolerance"), [("about", None), ("over", None)])
def test_a_bound_that_says_nothing_is_refused(bound: str, tolerance: float | None) -> None:
    with pytest.raises(ValueError, match=r"needs|not a bound"):
        limits_of(bound, 1.0, tolerance)
