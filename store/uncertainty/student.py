"""Student's t distribution, for scatter with few degrees of freedom. Knows numbers only."""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

__all__ = ["t_cdf", "t_quantile"]

_TINY = 1e-300
_NORMAL = NormalDist()
NEARLY_NORMAL = 1e7
"""From so many degrees of freedom on, t and the normal distribution agree to seven digits."""
MANY = 3000.0
"""From so many on, four terms beyond the normal quantile tell t to the last digits, and the beta function does not."""


def t_cdf(t: float, degrees: float) -> float:
    """Probability that Student's t with these degrees of freedom, whole or not, stays below `t`.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.1 (by the incomplete beta function)
    and 26.5.8 (its continued fraction).
    """
    if degrees >= NEARLY_NORMAL:
        return _NORMAL.cdf(t)
    square = t * t
    if square < degrees:
        within = _beta_share(0.5, 0.5 * degrees, square / (degrees + square))
        return 0.5 + math.copysign(0.5 * within, t)
    beyond = 0.5 * _beta_share(0.5 * degrees, 0.5, degrees / (degrees + square))
    return 1.0 - beyond if t > 0.0 else beyond


def _beta_share(a: float, b: float, x: float) -> float:
    """Regularized incomplete beta function I_x(a, b) for a, b > 0 and 0 <= x <= 1."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - _beta_share(b, a, 1.0 - x)
    front = a * math.log(x) + b * math.log1p(-x) + math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    return math.exp(front) / a * _fraction(a, b, x)


def _fraction(a: float, b: float, x: float) -> float:
    """The continued fraction of A&S 26.5.8, by Lentz's method."""
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > _TINY else _TINY)
    total = d
    for m in range(1, 400):
        for top in (
            m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0)),
        ):
            d = 1.0 + top * d
            c = 1.0 + top / c
            d = 1.0 / (d if abs(d) > _TINY else _TINY)
            c = c if abs(c) > _TINY else _TINY
            total *= c * d
        if abs(c * d - 1.0) < 1e-16:
            break
    return total


@lru_cache(maxsize=4096)
def t_quantile(probability: float, degrees: float) -> float:
    """The value below which Student's t stays with a probability: t(0.975, 8) = 2.3060.

    Args:
        probability: Above 0 and below 1.
        degrees: Degrees of freedom, above 0, whole or not; infinite for the normal distribution.

    Raises:
        ValueError: outside of that.
    """
    if not 0.0 < probability < 1.0 or not degrees > 0.0:
        raise ValueError(f"t({probability}, {degrees}) does not exist.")
    if degrees >= NEARLY_NORMAL:
        return _NORMAL.inv_cdf(probability)
    if probability == 0.5:
        return 0.0
    if probability < 0.5:
        return -t_quantile(1.0 - probability, degrees)
    if degrees >= MANY and probability < 1.0 - 1e-6:
        return _first_guess(probability, degrees)
    low, high = 0.0, math.inf
    t = max(_first_guess(probability, degrees), 1e-300)
    for _ in range(200):
        found = t_cdf(t, degrees)
        if found == probability:
            return t
        low, high = (t, high) if found < probability else (low, t)
        step = (probability - found) / _density(t, degrees)
        if abs(step) <= 1e-8 * t:  # the next step would be its square
            return t + step
        nearer = t + step
        if not low < nearer < high:  # Newton's step leaves the bracket: halve, or double where there is no end yet
            nearer = 0.5 * (low + high) if math.isfinite(high) else 2.0 * t
            if nearer > 1e12 or nearer in (low, high):
                return nearer
        t = nearer
    return t


def _first_guess(probability: float, degrees: float) -> float:
    """Near t(probability, degrees), by the normal quantile and four terms (A&S 26.7.5); exact for one degree."""
    if degrees <= 1.0:
        return math.tan(math.pi * (probability - 0.5))
    z = _NORMAL.inv_cdf(probability)
    square = z * z
    terms = (
        z * (square + 1.0) / 4.0,
        z * ((5.0 * square + 16.0) * square + 3.0) / 96.0,
        z * (((3.0 * square + 19.0) * square + 17.0) * square - 15.0) / 384.0,
        z * ((((79.0 * square + 776.0) * square + 1482.0) * square - 1920.0) * square - 945.0) / 92160.0,
    )
    return z + sum(term / degrees**power for power, term in enumerate(terms, start=1))


def _density(t: float, degrees: float) -> float:
    """Density of Student's t."""
    scale = math.lgamma(0.5 * (degrees + 1.0)) - math.lgamma(0.5 * degrees) - 0.5 * math.log(degrees * math.pi)
    return math.exp(scale - 0.5 * (degrees + 1.0) * math.log1p(t * t / degrees))
