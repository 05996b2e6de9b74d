"""What numbers say of each other: power is voltage times current, a counter's slope is its rate.

Knows NumPy arrays. Knows no labels. Laws: P = U I, dE/dt = P, dQ/dt = I (IEC 60050-131, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Fit", "counter_fit", "is_monotone", "product_fit"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fit:
    """How well one column follows a law of the others."""

    ratio: float
    """Column = ratio x law, in the file's own units."""
    misfit: float
    """Root mean square of what is left, relative to the column."""

    limit: float = 0.08
    """Largest misfit that coarse digits and averaging explain."""

    @property
    def holds(self) -> bool:
        """True where the column is that law of the others."""
        return self.misfit < self.limit and self.ratio != 0.0


def product_fit(first: Array, second: Array, product: Array) -> Fit | None:
    """Fit product = ratio x first x second; None where the numbers say nothing."""
    good = np.isfinite(first) & np.isfinite(second) & np.isfinite(product)
    if good.sum() < 3:
        return None
    law, column = np.abs(first[good] * second[good]), np.abs(product[good])
    return _through_zero(law, column)


def _through_zero(law: Array, column: Array) -> Fit | None:
    size, total = float(np.dot(law, law)), float(np.dot(column, column))
    if size <= 0.0 or total <= 0.0 or not np.isfinite(size) or not np.isfinite(total):
        return None
    ratio = float(np.dot(law, column)) / size
    left = column - ratio * law
    return Fit(ratio, float(np.sqrt(np.dot(left, left) / total)))


def counter_fit(t: Array, rate: Array, counter: Array) -> Fit | None:
    """Fit counter = start + ratio x integral of rate over t, on the longest stretch without restart.

    Args:
        t: clock [any unit], n values.
        rate: power or current [any unit], n values.
        counter: energy or charge [any unit], n values.

    Returns:
        The fit, or None where the counter stands still, steps too coarsely or the stretch is too short.
    """
    good = np.isfinite(t) & np.isfinite(rate) & np.isfinite(counter)
    t, rate, counter = t[good], rate[good], counter[good]
    if len(t) < 8:
        return None
    first, last = _longest_stretch(t, counter)
    t, rate, counter = t[first:last], rate[first:last], counter[first:last]
    if len(t) < 8 or len(np.unique(counter)) < 5:
        return None
    steps = np.diff(t)
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    if usual <= 0.0:
        return None
    area = np.concatenate(([0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * steps)))
    law, column = area - area.mean(), counter - counter.mean()
    size, total = float(np.dot(law, law)), float(np.dot(column, column))
    if size <= 0.0 or total <= 0.0:
        return None
    ratio = float(np.dot(law, column)) / size
    left = column - ratio * law
    # a counter of n distinct readings is off by up to half a digit: 1 / n of its range, uniformly
    limit = 0.06 + 1.2 / len(np.unique(counter))
    return Fit(ratio, float(np.sqrt(np.dot(left, left) / total)), limit)


def _longest_stretch(t: Array, counter: Array) -> tuple[int, int]:
    """Find the longest stretch in which the clock advances and the counter goes one way."""
    step, change = np.diff(t), np.diff(counter)
    rising = float(np.sum(change > 0)) >= float(np.sum(change < 0))
    broken = (step < 0) | ((change < 0) if rising else (change > 0))
    cuts = np.concatenate(([0], np.flatnonzero(broken) + 1, [len(t)]))
    longest = int(np.argmax(np.diff(cuts)))
    return int(cuts[longest]), int(cuts[longest + 1])


def is_monotone(values: Array, share: float = 0.98) -> bool:
    """Tell whether values never fall (or never rise), but for few restarts."""
    clean = values[np.isfinite(values)]
    if len(clean) < 3:
        return False
    change = np.diff(clean)
    up, down = int((change > 0).sum()), int((change < 0).sum())
    return (up + down) > 0 and max(up, down) >= share * (up + down)
