"""Where between two samples a load went on or off, and what an integral owes to its steps. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from store.model.results import Array, Mask
from store.signal.statistics import median

__all__ = ["Edge", "edge_after", "edge_before", "edge_u", "is_jump", "sampling_u"]

JUMP_SHARE = 0.1
"""A step whose lesser power is under a tenth of the greater holds an edge, not a slope: as the load window's share."""
STEP_SIGMAS = 6.0
"""A step by more than so many standard deviations of its neighbours' noise is an edge inside a log."""
STEP_SHARE = 0.03
"""... and by at least this share of the largest value: smaller ones are slopes."""
FEW_JUMPS = 0.03
"""Where more of the steps than this are edges, the signal switches all the time and is taken as scatter."""


def edge_u(step_s: float) -> float:
    """Standard uncertainty of one edge that lies anywhere in a step [s]: step / sqrt 12.

    Both edges of one grid give step / sqrt 6 over all lengths. Source: GUM 4.3.7; exact for a length T:
    step x sqrt(f (1 - f)) with f the fraction of a step in T.
    """
    return step_s / math.sqrt(12.0)


@dataclass(frozen=True, slots=True)
class Edge:
    """A load's edge between two samples."""

    at_s: float
    """Half-way between them."""
    u_s: float
    half_s: float
    """From the edge to the loaded sample; 0 where the log does not hold the edge."""
    is_seen: bool
    """False where the log begins or ends under load, or a gap hides the edge."""


def edge_before(t: Array, is_gap: Mask, first: int) -> Edge:
    """The edge before the first loaded sample."""
    if first == 0 or is_gap[first - 1]:
        return Edge(float(t[first]), 0.0, 0.0, is_seen=False)
    step = float(t[first] - t[first - 1])
    return Edge(float(t[first]) - 0.5 * step, edge_u(step), 0.5 * step, is_seen=True)


def edge_after(t: Array, is_gap: Mask, last: int) -> Edge:
    """The edge after the last loaded sample."""
    if last >= len(t) - 1 or is_gap[last]:
        return Edge(float(t[last]), 0.0, 0.0, is_seen=False)
    step = float(t[last + 1] - t[last])
    return Edge(float(t[last]) + 0.5 * step, edge_u(step), 0.5 * step, is_seen=True)


def is_jump(p: Array) -> Mask:
    """Which of n - 1 steps hold an edge: there each side's power counts for half of the step.

    The product of two lines, exact where V and I both slope, is biased where both jump: 0 V 0 A to 9 V 3 A in 10 s
    is 135 W s on average over where the edge may lie, and the bilinear rule gives 90.
    """
    size = np.abs(p)
    a, b = size[:-1], size[1:]
    return np.asarray(np.minimum(a, b) < JUMP_SHARE * np.maximum(a, b))


def sampling_u(t: Array, y: Array, is_gap: Mask, *, grain_s: float = 0.0) -> tuple[float, float]:
    """What a trapezoid integral of y over its own samples owes to scatter between samples, and to edges within.

    Args:
        t: n times [s].
        y: n values under load, without the load's own edges.
        is_gap: n - 1 steps over which nothing is integrated.
        grain_s: of a long run that was made short, the step between its own samples, which stand denser; else 0.

    Returns:
        Two standard uncertainties [unit of y times s]. Scatter: second differences, free of level and slope, have six
        times the variance of white noise. An edge within a step: its height x step / sqrt 12.
    """
    n = len(t)
    if n < 4:
        return 0.0, 0.0
    dt = np.where(is_gap, 0.0, np.diff(t))
    d = np.diff(y)
    spread = float(1.4826 * median(np.abs(d - median(d))))
    jumps = np.abs(d) > max(STEP_SIGMAS * spread, STEP_SHARE * float(np.max(np.abs(y))))
    if float(jumps.mean()) > FEW_JUMPS:
        jumps[:] = False
    edges = float(np.sqrt(np.sum((d[jumps] * dt[jumps]) ** 2) / 12.0))
    dd = np.diff(d)
    clean = ~(jumps[1:] | jumps[:-1] | is_gap[1:] | is_gap[:-1])
    if not clean.any():
        return 0.0, edges
    if grain_s > 0.0:
        whole = float(dt.sum())
        return float(np.sqrt(np.mean(dd[clean] ** 2) / 6.0 * grain_s * whole)), edges
    step = 0.5 * (dt[1:] + dt[:-1])
    scatter = float(np.sqrt(np.sum((dd[clean] * step[clean]) ** 2) / 6.0))
    return scatter, edges
