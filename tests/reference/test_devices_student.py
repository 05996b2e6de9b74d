"""Student's t against SciPy and the worked value t(0.975, 8) = 2.3060."""

from __future__ import annotations

import pytest
from scipy import stats

from store.uncertainty.student import t_cdf, t_quantile


@pytest.mark.parametrize("degrees", [1, 2, 3, 4, 5, 8, 11, 30, 101, 400])
@pytest.mark.parametrize("probability", [0.025, 0.3, 0.5, 0.9, 0.975, 0.995833, 0.9999])
def test_quantile_and_distribution_agree_with_scipy(probability: float, degrees: int) -> None:
    found = t_quantile(probability, degrees)
    assert found == pytest.approx(stats.t.ppf(probability, degrees), rel=1e-8, abs=1e-9)
    assert t_cdf(found, degrees) == pytest.approx(probability, abs=1e-10)


def test_worked_value() -> None:
    assert t_quantile(0.975, 8) == pytest.approx(2.3060, abs=5e-5)


@pytest.mark.parametrize(("probability", "degrees"), [(0.0, 3), (1.0, 3), (0.5, 0)])
def test_what_does_not_exist_is_refused(probability: float, degrees: int) -> None:
    with pytest.raises(ValueError, match="does not exist"):
        t_quantile(probability, degrees)
