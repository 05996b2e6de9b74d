"""Time-weighted means and spreads, and the filters that detectors stand on. Knows arrays only."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from store.model.results import Array, Mask

__all__ = [
    "Moments",
    "half_spread",
    "lag_one",
    "median",
    "median_of_three",
    "moments",
    "noise",
    "quantile",
    "runs_of",
    "time_weights",
    "weighted_quantile",
]


class Moments(NamedTuple):
    """Mean and standard deviation, in the unit of the values."""

    mean: float
    sd: float


def time_weights(dt_s: Array) -> Array:
    """Seconds for which each of n samples stands, from n - 1 steps: half the step on either side."""
    weights = np.zeros(len(dt_s) + 1)
    weights[:-1] += 0.5 * dt_s
    weights[1:] += 0.5 * dt_s
    return weights


def moments(y: Array, weights: Array) -> Moments:
    """Weighted mean and standard deviation in two passes.

    Args:
        y: n values without NaN, n >= 1.
        weights: n weights, not all 0 (seconds, or ones for a plain sample).

    Returns:
        The mean, refined by the mean of residuals, and the spread about it with the divisor
        sum(w) - sum(w^2) / sum(w), which for equal weights is n - 1 (NaN for one sample).

    Source: two-pass algorithm with correction, as any text on numerical statistics; checked on NIST
    StRD NumAcc1-4, where a sum of squares fails.
    """
    total = float(weights.sum())
    if total <= 0.0:
        weights = np.ones(len(y))
        total = float(len(y))
    # sums in pairs, not a dot product: the same on every machine, and no threads for so little work
    mean = float((weights * y).sum()) / total
    rest = y - mean
    shift = float((weights * rest).sum()) / total
    rest -= shift
    divisor = total - float((weights * weights).sum()) / total
    if divisor <= 0.0:
        return Moments(mean + shift, float("nan"))
    rest *= rest
    rest *= weights
    return Moments(mean + shift, float(np.sqrt(float(rest.sum()) / divisor)))


def half_spread(y: Array, dt_s: Array) -> float:
    """Time-weighted standard deviation by every second sample: how far the sampling interval matters.

    Args:
        y: n values.
        dt_s: n - 1 steps [s], 0 where nothing is known.

    Returns:
        The spread; NaN with fewer than four samples.
    """
    if len(y) < 4:
        return float("nan")
    pairs = len(dt_s) // 2 * 2
    return moments(y[: pairs + 1 : 2], time_weights(dt_s[:pairs:2] + dt_s[1:pairs:2])).sd


def weighted_quantile(y: Array, weights: Array, share: float) -> float:
    """The value under which a share of the weight lies.

    Args:
        y: n values.
        weights: n weights, not negative, not all 0.
        share: 0 to 1.
    """
    order = np.argsort(y, kind="stable")
    upto = np.cumsum(weights[order])
    return float(y[order[min(int(np.searchsorted(upto, share * upto[-1])), len(y) - 1)]])


def median(y: Array) -> float:
    """Median of values, exactly what `numpy.median` gives (NaN where one is, or there are none).

    A run needs dozens over a few thousand values, and NumPy's own takes six times as long to get ready for them.
    """
    n = len(y)
    if not n or np.isnan(y).any():
        return float("nan")
    k = n >> 1
    if n & 1:
        return 0.0 + float(np.partition(y, k)[k])  # -0.0 is 0.0 there
    part = np.partition(y, (k - 1, k))
    return (0.0 + float(part[k - 1]) + float(part[k])) / 2.0


def quantile(y: Array, share: float) -> float:
    """The value under which a share of them lies, exactly as `numpy.quantile` has it between two of them.

    Args:
        y: n values, n >= 1; NaN where one is NaN.
        share: 0 to 1.
    """
    if np.isnan(y).any():
        return float("nan")
    place = (len(y) - 1) * share
    k = min(int(place), max(len(y) - 2, 0))
    part = np.partition(y, (k, min(k + 1, len(y) - 1)))
    low, high, rest = float(part[k]), float(part[min(k + 1, len(y) - 1)]), place - k
    return high - (high - low) * (1.0 - rest) if rest >= 0.5 else low + (high - low) * rest


def lag_one(y: Array) -> float:
    """Lag-1 autocorrelation as NIST StRD defines it: sum of (y_i - m)(y_i+1 - m) over sum of (y_i - m)^2."""
    rest = y - moments(y, np.ones(len(y))).mean
    scale = float(rest @ rest)
    return float(rest[:-1] @ rest[1:]) / scale if scale > 0.0 else 0.0


def median_of_three(y: Array) -> Array:
    """Median of each sample and its neighbours; ends stay. Takes out single spikes, leaves edges where they are."""
    if len(y) < 3:
        return y.copy()
    out = np.empty_like(y)
    left, mid, right = y[:-2], y[1:-1], y[2:]
    low = np.minimum(left, mid)
    high = np.maximum(left, mid)
    out[1:-1] = np.maximum(low, np.minimum(high, right))
    out[0], out[-1] = y[0], y[-1]
    return out


def noise(y: Array) -> float:
    """Standard deviation of the noise on y, from its steps: robust against levels, ramps and spikes.

    Formula: 1.4826 median|d - median d| / sqrt 2, with d the differences of neighbours. Common practice.
    """
    if len(y) < 3:
        return 0.0
    steps = np.diff(y)
    return float(1.4826 * median(np.abs(steps - median(steps))) / np.sqrt(2.0))


def runs_of(mask: Mask) -> list[tuple[int, int]]:
    """First and last index of each unbroken stretch of True."""
    if not mask.any():
        return []
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
