"""What is reckoned quicker than the libraries do it, held against the libraries: NumPy, dataclasses, SciPy."""

from __future__ import annotations

import dataclasses
import os
import random

import numpy as np
import pytest
from scipy import stats

from store.model.altered import altered
from store.model.results import Account, Result
from store.signal.statistics import median, quantile
from store.uncertainty.student import t_quantile

SEED = int(os.environ.get("JOULEBOOK_SEED") or random.SystemRandom().randrange(10**9))


def _values(rng: np.random.Generator) -> np.ndarray:
    """Values as logs have them: noise, few digits, one value, with NaN, with infinities, huge and tiny."""
    n = int(rng.choice([1, 2, 3, 4, 5, 7, 64, 501, 2000]))
    y = rng.standard_normal(n) * 10.0 ** rng.uniform(-200, 200 if rng.random() < 0.1 else 2)
    if rng.random() < 0.4:
        y = np.round(y, 1)
    if rng.random() < 0.2:
        y[:] = y[0]
    if rng.random() < 0.2:
        y[rng.integers(n)] = rng.choice([np.nan, np.inf, -np.inf])
    return y


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # NumPy's, for infinities
def test_median_and_quantile_are_numpys():
    print(f"\nJOULEBOOK_SEED={SEED}")
    rng = np.random.default_rng(SEED)
    for _ in range(1500):
        y = _values(rng)
        before = y.copy()
        np.testing.assert_array_equal(median(y), float(np.median(y)))
        if not np.isinf(y).any():
            for share in (0.0, 0.95, 0.5, 1.0, float(rng.random())):
                np.testing.assert_array_equal(quantile(y, share), float(np.quantile(y, share)))
        np.testing.assert_array_equal(y, before)
    assert np.isnan(median(np.array([])))


def test_student_is_scipys_for_every_number_of_degrees():
    print(f"\nJOULEBOOK_SEED={SEED}")
    rng = random.Random(SEED)
    for _ in range(600):
        degrees = 10.0 ** rng.uniform(0, 6.9)
        for probability in (0.9772498680518208, 0.975, rng.uniform(0.5001, 0.9999), rng.uniform(0.001, 0.4999)):
            wanted = stats.t.ppf(probability, degrees)
            assert t_quantile(probability, degrees) == pytest.approx(wanted, rel=2e-11), (probability, degrees)


def test_altered_is_replace():
    result = Result("energy_wh", 1.0, "Wh", 0.1, "energy", 3, warnings=("a",), account=Account(numbers={"n": 2.0}))
    assert altered(result, value=2.0, text="b") == dataclasses.replace(result, value=2.0, text="b")
    assert altered(result) == result
    assert result.value == 1.0
    with pytest.raises(TypeError, match="valeu"):
        altered(result, valeu=2.0)
