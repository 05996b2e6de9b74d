"""A ramp carried on to the moment at which it ended. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from store.model.results import Array
from store.signal.statistics import median

__all__ = ["Approach", "RampEnd", "approach_of", "is_stepped", "ramp_end"]

MOST = 12
"""Samples of the line, at the most: a ramp is straight for so long, and noise is averaged by then."""
LEAST = 3


@dataclass(frozen=True, slots=True)
class RampEnd:
    """A ramped quantity at the moment that lies half a step after the last sample."""

    value: float
    u_scatter: float
    dof: float
    u_step: float
    """Ramp x step / sqrt 12: the moment lies anywhere in the step."""
    rate: float
    """[unit/s]."""
    at_s: float
    from_s: float
    to_s: float
    samples: int
    step_s: float


def ramp_end(t: Array, y: Array, step_s: float) -> RampEnd:
    """The last samples' line carried on by half a step.

    Args:
        t: n times [s] up to the last sample before the end, n >= 1; those given are all used.
        y: n values.
        step_s: distance from the last sample to the next one, in which the end lies [s].

    Formula: value of the line at t_n + h / 2; u^2 = s^2 [1/n + (h/2 - xm)^2 / Sxx] + (r h)^2 / 12, with s the scatter
    about the line (n - 2 degrees of freedom), r its slope. Worked: 0.05 A/s, h 1 s, s 4 mA:
    n 5 0.01488 A, n 10 0.01466.
    """
    n = len(t)
    at = float(t[-1]) + 0.5 * step_s
    if n < LEAST:
        return RampEnd(float(y[-1]), 0.0, math.inf, 0.0, 0.0, at, float(t[0]), float(t[-1]), n, step_s)
    mean_t, mean_y = float(t.mean()), float(y.mean())
    dx = t - mean_t
    sxx = float(dx @ dx)
    rate = float(dx @ (y - mean_y)) / sxx
    rest = y - mean_y - rate * dx
    dof = n - 2
    s2 = float(rest @ rest) / dof
    ahead = at - mean_t
    scatter = math.sqrt(s2 * (1.0 / n + ahead * ahead / sxx))
    step = abs(rate) * step_s / math.sqrt(12.0)
    return RampEnd(
        mean_y + rate * ahead, scatter, float(dof), step, rate, at, float(t[0]), float(t[-1]), n, step_s
    )  # fmt: skip


def is_stepped(y: Array) -> bool:
    """Whether a rise goes in stairs: most steps stand still beside the few that rise."""
    d = np.diff(y)
    if len(d) < 4:
        return False
    top = float(np.max(d))
    return top > 0.0 and median(np.abs(d)) < 0.25 * top


SAMPLES = 80
"""Samples before the end that tell a ramp from stairs."""
RISE_SHARE = 0.5
"""A step by half of the usual height of a stair begins the next one."""


@dataclass(frozen=True, slots=True)
class Approach:
    """How a load came to its end: by a ramp, or by stairs."""

    first: int
    """Samples first to last are used: the ramp's line, or what was logged of the last stair."""
    last: int
    step_s: float
    """From the last sample to the next one, in which the end lies [s]."""
    is_stairs: bool
    height: float = 0.0
    """Of a stair; 0 for a ramp."""
    is_due: bool = False
    """The last stair had lasted as long as those before it: the next one may have come between the last two samples."""


def approach_of(t: Array, y: Array, last: int) -> Approach:
    """Which samples before the end tell the level at the end.

    Args:
        t: n times [s].
        y: n values of what was raised.
        last: last sample before the end.
    """
    step = float(t[last + 1] - t[last]) if last < len(t) - 1 else median(np.diff(t))
    begin = max(last - SAMPLES, 0)
    # the rise only: what came before the load was applied is no part of it
    low = np.flatnonzero(y[begin : last + 1] < 0.3 * float(y[last]))
    begin = begin + int(low[-1]) + 1 if len(low) else begin
    part = y[begin : last + 1]
    if not is_stepped(part):
        return Approach(max(begin, last - MOST + 1), last, step, is_stairs=False)
    d = np.diff(part)
    rises = np.flatnonzero(d > RISE_SHARE * float(np.max(d)))
    height = median(d[rises])
    first = begin + int(rises[-1]) + 1
    dwells = np.diff(t[begin + rises + 1])
    lasted = float(t[last] - t[first]) + step
    dwell = median(dwells) if len(dwells) else float("inf")
    return Approach(first, last, step, is_stairs=True, height=height, is_due=lasted >= dwell - 0.5 * step)
