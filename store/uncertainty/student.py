"""Student's t distribution, for a handful of repeats. Knows numbers only."""

from __future__ import annotations

import math

__all__ = ["t_cdf", "t_quantile"]


def t_cdf(t: float, degrees: int) -> float:
    """Probability that Student's t with a whole number of degrees of freedom stays below `t`.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 (odd) and 26.7.4 (even).
    """
    theta = math.atan(t / math.sqrt(degrees))
    cosine = math.cos(theta)
    total = term = 1.0
    if degrees % 2:
        term = total = cosine if degrees > 1 else 0.0
        for k in range(3, degrees - 1, 2):
            term *= cosine**2 * (k - 1) / k
            total += term
        between = 2.0 / math.pi * (theta + math.sin(theta) * total)
    else:
        for k in range(2, degrees - 1, 2):
            term *= cosine**2 * (k - 1) / k
            total += term
        between = math.sin(theta) * total
    return 0.5 + 0.5 * between


def t_quantile(probability: float, degrees: int) -> float:
    """The value below which Student's t stays with a probability: t(0.975, 8) = 2.3060.

    Args:
        probability: Above 0 and below 1.
        degrees: Degrees of freedom, 1 or more.

    Raises:
        ValueError: outside of that.
    """
    if not 0.0 < probability < 1.0 or degrees < 1:
        raise ValueError(f"t({probability}, {degrees}) does not exist.")
    if probability < 0.5:
        return -t_quantile(1.0 - probability, degrees)
    low, high = 0.0, 1.0
    while t_cdf(high, degrees) < probability:
        high *= 2.0
        if high > 1e12:
            return high
    while high - low > 1e-12 * max(1.0, high):
        middle = 0.5 * (low + high)
        if t_cdf(middle, degrees) < probability:
            low = middle
        else:
            high = middle
        if middle in (low, high) and high - low < 1e-15:
            break
    return 0.5 * (low + high)
