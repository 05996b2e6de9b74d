"""The mean of a quantity that scatters: how well a log of some length knows it. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from store.model.results import Array
from store.signal.statistics import moments, time_weights

__all__ = ["FULL", "MANY", "SHORT", "MeanScatter", "correlation_time", "mean_scatter", "residual_time"]

FULL = 50.0
"""A log of so many correlation times knows its mean's scatter to the printed 95 %, with ten batches."""
MANY, FEW = 10, 5
SHORT = 10.0
"""Under so many correlation times even five batches cover less than 93 %: the log is too short."""
_WINDOW = 5.0
_MOST_SAMPLES = 1 << 18


@dataclass(frozen=True, slots=True)
class MeanScatter:
    """What scatter does to a mean."""

    u: float
    """Standard uncertainty of the mean, in the unit of the values."""
    dof: float
    batches: int
    tau_s: float
    """Integrated correlation time [s]: so far apart, samples tell something new."""
    length_s: float

    @property
    def is_short(self) -> bool:
        """Whether the log is too short for what is printed."""
        return self.length_s < FULL * self.tau_s

    @property
    def wanted_s(self) -> float:
        """How long a log would do [s]."""
        return FULL * self.tau_s

    def words(self) -> str:
        """What was done, for a line of a budget."""
        return f"{self.batches} batches of {self.length_s / self.batches:.3g} s, correlation time {self.tau_s:.3g} s"


def correlation_time(y: Array, step_s: float) -> float:
    """Integrated correlation time of evenly spaced values [s]: step x (1 + 2 sum of rho_k), never under a step.

    The sum ends at the first lag past five times itself (Sokal's window). AR(1) with f: (1 + f) / (1 - f) steps;
    f 0.8 gives 9, 0.9 gives 19. Source: common practice of Monte Carlo samplers; checked on AR(1).

    Args:
        y: n values.
        step_s: their distance [s].
    """
    n = len(y)
    rest = y - float(y.mean())
    variance = float(rest @ rest)
    if n < 4 or variance <= 0.0:
        return step_s
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(rest, size)
    rho = np.fft.irfft(spectrum * np.conj(spectrum), size)[:n] / variance
    upto = 2.0 * np.cumsum(rho) - 1.0
    enough = np.arange(n) >= _WINDOW * upto
    at = int(np.argmax(enough)) if enough.any() else n - 1
    return step_s * max(1.0, float(upto[at]))


def residual_time(rest: Array, fitted: int) -> float:
    """How many samples of a fit's residuals tell as much as one would alone; never under one.

    Args:
        rest: n residuals, in order.
        fitted: parameters of the fit, which took the slowest part of the noise with them.

    Returns:
        The larger of the integrated correlation time and what the means of batches spread by, as if each were one:
        the first misses slow noise under much white noise, the second scatters.
    """
    n = len(rest)
    if n < 4 * MANY:
        return max(correlation_time(rest, 1.0), 1.0) if n > 8 else 1.0
    count = min(2 * MANY, n // 8)
    size = n // count
    means = rest[: size * count].reshape(count, size).mean(axis=1)
    variance = float(np.mean(rest * rest))
    by_batches = size * float(means @ means) / max(count - fitted, 1) / variance if variance > 0.0 else 1.0
    return max(1.0, correlation_time(rest, 1.0), by_batches)


def mean_scatter(t: Array, y: Array) -> MeanScatter | None:
    """Uncertainty of a time-weighted mean from the values' own scatter, correlated in time as they are.

    Args:
        t: n times [s], increasing, gaps closed or absent.
        y: n values.

    Returns:
        By batch means: s_b / sqrt(b) with b - 1 degrees of freedom. Ten batches where the log holds fifty
        correlation times, else five. None with fewer than ten samples.

    Source: batch means as in any text on simulation output; coverage checked on AR(1): 0.95 at 50 correlation
    times with 10 batches, 0.93 at 10 with 5.
    """
    n = len(t)
    if n < 2 * FEW or not t[-1] > t[0]:
        return None
    length = float(t[-1] - t[0])
    weights = time_weights(np.diff(t))
    every = -(-n // _MOST_SAMPLES)
    even = y if every == 1 else y[: n // every * every].reshape(-1, every).mean(axis=1)
    tau = correlation_time(even, length / max(len(even) - 1, 1))
    count = MANY if length >= FULL * tau and n >= 4 * MANY else FEW
    edges = np.searchsorted(t, t[0] + length * np.arange(1, count) / count)
    edges = np.concatenate(([0], edges, [n]))
    if (np.diff(edges) < 1).any():
        return None
    total = np.add.reduceat(weights * y, edges[:-1])
    share = np.add.reduceat(weights, edges[:-1])
    if (share <= 0.0).any():
        return None
    means = total / share
    u = float(moments(means, np.ones(count)).sd) / math.sqrt(count)
    return MeanScatter(u, count - 1.0, count, tau, length)
