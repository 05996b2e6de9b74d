"""When a noisy signal crosses a threshold: by a local quadratic, without bias. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from store.model.results import Array, Mask
from store.signal.batches import residual_time

__all__ = ["Crossing", "Quadratic", "fit_quadratic", "local_crossing"]

LEAST = 7
"""Samples of a fit, at the least."""


@dataclass(frozen=True, slots=True)
class Quadratic:
    """y = a + b x + c x^2 with x = (t - middle) / half, fitted over samples `first` to `last`."""

    middle_s: float
    half_s: float
    a: float
    b: float
    c: float
    covariance: Array
    """3 x 3, of a, b and c, widened for correlated residuals."""
    residual_sd: float
    from_s: float
    to_s: float
    samples: int

    def value(self, t: float) -> float:
        """The curve at a moment [s]."""
        x = (t - self.middle_s) / self.half_s
        return self.a + x * (self.b + x * self.c)

    def slope(self, t: float) -> float:
        """Its slope there [1/s]."""
        x = (t - self.middle_s) / self.half_s
        return (self.b + 2.0 * x * self.c) / self.half_s

    def u(self, t: float) -> float:
        """Standard uncertainty of the curve there from the scatter about it."""
        x = (t - self.middle_s) / self.half_s
        pick = np.array([1.0, x, x * x])
        return math.sqrt(max(float(pick @ self.covariance @ pick), 0.0))

    def root(self, level: float, near_s: float) -> float | None:
        """The moment nearest to `near_s` at which the curve is at a level; None where it never is."""
        c, b, a = self.c, self.b, self.a - level
        if abs(c) < 1e-12 * max(abs(b), 1e-300):
            roots = [-a / b] if b else []
        else:
            inner = b * b - 4.0 * a * c
            if inner < 0.0:
                return None
            q = -0.5 * (b + math.copysign(math.sqrt(inner), b))
            roots = [x for x in (q / c if c else None, a / q if q else None) if x is not None]
        times = [self.middle_s + self.half_s * x for x in roots]
        return min(times, key=lambda t: abs(t - near_s)) if times else None


@dataclass(frozen=True, slots=True)
class Crossing:
    """A moment at which a signal crossed a level."""

    at_s: float
    u_s: float
    """From the scatter about the curve."""
    dof: float
    slope: float
    """Of the signal there [unit/s]."""
    level: float
    curve: Quadratic


def fit_quadratic(t: Array, y: Array) -> Quadratic:
    """Least squares quadratic through n samples, n >= 4, with errors widened for correlated residuals."""
    middle, half = 0.5 * float(t[0] + t[-1]), 0.5 * float(t[-1] - t[0])
    x = (t - middle) / half
    basis = np.column_stack((np.ones_like(x), x, x * x))
    inner = np.linalg.inv(basis.T @ basis)
    a, b, c = (float(k) for k in inner @ (basis.T @ y))
    rest = y - basis @ np.array([a, b, c])
    dof = max(len(t) - 3, 1)
    variance = float(rest @ rest) / dof
    together = residual_time(rest, 3)
    covariance = np.asarray(inner * variance * together, dtype=np.float64)
    ends = float(t[0]), float(t[-1])
    return Quadratic(middle, half, a, b, c, covariance, math.sqrt(variance), *ends, len(t))


def local_crossing(t: Array, y: Array, level: float, near: int, *, reach: Mask | None = None) -> Crossing | None:
    """The moment near sample `near` at which y crosses a level.

    The fit's samples lie about the crossing, as many to either side as the signal's own shape allows: those that
    `reach` marks as one stretch about `near`, by default values within half to twice the level's distance.

    Args:
        t: n times [s].
        y: n values.
        level: the threshold.
        near: index of a sample close to the crossing.
        reach: n, True where a sample may be used; the unbroken stretch about `near` counts.

    Returns:
        The crossing, or None where fewer than seven samples are there or the curve does not cross.
    """
    may = np.ones(len(y), dtype=bool) if reach is None else reach
    first, last = near, near
    while first > 0 and may[first - 1]:
        first -= 1
    while last < len(y) - 1 and may[last + 1]:
        last += 1
    # as far to one side as to the other, so that the curve is asked for its middle
    wing = max(min(near - first, last - near), LEAST // 2)
    first, last = max(first, near - wing), min(last, near + wing)
    if last - first + 1 < LEAST:
        return None
    curve = fit_quadratic(t[first : last + 1], y[first : last + 1])
    at = curve.root(level, float(t[near]))
    if at is None or not float(t[first]) <= at <= float(t[last]):
        return None
    slope = curve.slope(at)
    if slope == 0.0:
        return None
    return Crossing(at, curve.u(at) / abs(slope), max(last - first - 2.0, 1.0), slope, level, curve)
