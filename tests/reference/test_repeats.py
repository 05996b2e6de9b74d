"""The spread of repeats against their stated uncertainty: chi-squared, with SciPy as a second opinion."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from store.judge.measured import Measured
from store.judge.pooling import pool
from store.uncertainty.repeats import check_repeats


@pytest.mark.parametrize("count", [2, 3, 4, 6, 10, 30])
def test_the_limit_is_the_95_percent_point_of_chi_squared(count: int) -> None:
    check = check_repeats([0.0, 1.0] * (count // 2) + [0.0] * (count % 2), [1.0] * count)
    assert check is not None
    assert check.limit == pytest.approx(math.sqrt(stats.chi2.ppf(0.95, count - 1) / (count - 1)), rel=0.015)


def test_honest_repeats_are_called_wider_in_a_twentieth_of_cases() -> None:
    """4,000 series of 4 normal repeats whose uncertainty is stated truly; 5 % within four standard errors."""
    rng = np.random.default_rng(5)
    checks = [check_repeats(list(row), [0.2] * 4) for row in rng.normal(30.0, 0.2, (4000, 4))]
    share = sum(check.is_wider for check in checks if check) / 4000
    assert share == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / 4000))


def test_a_pool_tells_that_repeats_scatter_more_than_the_meter_explains() -> None:
    """What one meter shares explains no spread, so it does not excuse one."""
    common = {"M1: gain of V": 0.3}
    wide = pool([Measured(v, "Wh", math.hypot(0.3, 0.01), common=common) for v in (56.8, 57.4, 57.1)])
    assert "3 repeats spread by 0.3 Wh, the meter explains 0.01 Wh" in wide.note
    near = pool([Measured(v, "Wh", math.hypot(0.3, 0.01), common=common) for v in (57.10, 57.11, 57.10)])
    assert not near.note


def test_nothing_is_said_of_a_single_test_or_an_unknown_uncertainty() -> None:
    assert check_repeats([1.0], [0.1]) is None
    assert check_repeats([1.0, 2.0], [0.1, None]) is None
