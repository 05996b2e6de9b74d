"""How a charge ends: where power falls under a level, where a constant current begins to fade. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from store.model.results import Array
from store.signal.crossings import Crossing, Quadratic, fit_quadratic, local_crossing
from store.signal.edges import edge_u
from store.signal.holding import Moment
from store.signal.statistics import median, median_of_three, noise, quantile, runs_of

IntArray = npt.NDArray[np.intp]

__all__ = ["Fall", "Taper", "fall_below", "taper_of"]

WIDTH = 5
"""Samples of the means by which a fall is looked for."""
REACHES = ((0.6, 1.65), (0.3, 3.0))
"""Shares of the level between which samples belong to the curve through the crossing; the second where they are few."""
JUMP_SHARE = 0.5
"""A step that takes half of what power was is an edge: the charger ended it."""
BREAK_SAMPLES, BREAK_S = 10, 30.0
"""Shorter breaks of a constant current are spikes or a charger's probing of the cell."""
FLAT = 0.03
"""A current is constant while it stays within 3 % of its level."""
FADES = (0.70, 0.95)
"""Shares of the level between which the fade's curve is fitted: past the bend, before other parts of the charge."""
LEAST = 7


@dataclass(frozen=True, slots=True)
class Fall:
    """Power fell under a level for good."""

    last: int
    """Index of the last sample before it."""
    moment: Moment
    tail: float
    """What an exponential of the same slope would still add from there on [unit x s]; 0 after an edge."""
    slope: float
    """[unit/s]; 0 at an edge."""


def _means(y: Array, width: int = WIDTH) -> Array:
    """Centred means of medians of three."""
    width = min(width, max(1, len(y) // 4 * 2 - 1))
    half = width // 2
    return np.convolve(
        np.pad(median_of_three(y), half, mode="edge"), np.full(2 * half + 1, 1.0 / (2 * half + 1)), "valid"
    )


def fall_below(t: Array, y: Array, level: float) -> Fall | None:
    """The last time that y exceeds a level.

    Args:
        t: n times [s] from the start of charging to the end of the log.
        y: n values, of power or current.
        level: above 0.

    Returns:
        The fall, or None where the log ends above the level. An edge lies half-way between its samples; a slope is
        placed by a quadratic through ln y, which an exponential follows exactly.
    """
    clean = median_of_three(y)
    smooth = _means(y)
    over = np.flatnonzero(smooth > level)
    if not len(over):
        return None
    last = int(over[-1])
    edge = _edge_near(clean, last, level)
    if edge is not None:
        step = float(t[edge + 1] - t[edge])
        return Fall(edge, Moment(0.5 * float(t[edge] + t[edge + 1]), edge_u(step), step), 0.0, 0.0)
    if last >= len(y) - 2:
        return None
    crossing = _log_crossing(t, y, smooth, level, last)
    if crossing is not None:
        slope = level * crossing.slope
        k = max(int(np.searchsorted(t, crossing.at_s, side="right")) - 1, 0)
        return Fall(k, Moment(crossing.at_s, crossing.u_s, 0.0, crossing), level * level / abs(slope), slope)
    return _by_line(t, y, clean, level, last)


def _edge_near(clean: Array, last: int, level: float) -> int | None:
    """The step near `last` by which the charger ended it: from over the level to half or less."""
    first, stop = max(last - WIDTH, 0), min(last + WIDTH, len(clean) - 1)
    for k in range(stop - 1, first - 1, -1):
        before = median(clean[max(k - 2, 0) : k + 1])
        after = median(clean[k + 1 : k + 4])
        if before > level >= after and clean[k] - clean[k + 1] >= JUMP_SHARE * before:
            return k
    return None


def _log_crossing(t: Array, y: Array, smooth: Array, level: float, last: int) -> Crossing | None:
    positive = y > 0.0
    logs = np.log(np.where(positive, y, level))
    for low, high in REACHES:
        may = (smooth >= low * level) & (smooth <= high * level) & positive
        # a charger that ends it a little later leaves its edge out of the curve
        clean = median_of_three(y)
        falls = np.flatnonzero(may[:-1] & (clean[:-1] - clean[1:] >= JUMP_SHARE * clean[:-1]))
        may[falls + 1] = False
        may[last] = True
        crossing = local_crossing(t, logs, math.log(level), last, reach=may)
        if crossing is not None and crossing.slope < 0.0 and crossing.curve.samples >= 2 * LEAST:
            return crossing
    return crossing if crossing is not None and crossing.slope < 0.0 else None


def _by_line(t: Array, y: Array, clean: Array, level: float, last: int) -> Fall:
    """The line between the two samples about the level, where too few lie near it for a curve."""
    k = min(last, len(t) - 2)
    while k > 0 and clean[k] <= level:
        k -= 1
    while k < len(t) - 2 and clean[k + 1] > level:
        k += 1
    step, rise = float(t[k + 1] - t[k]), float(y[k + 1] - y[k])
    slope = rise / step if step > 0.0 else 0.0
    share = (level - float(y[k])) / rise if rise else -1.0
    tail = level * level / abs(slope) if slope < 0.0 else 0.0
    if 0.0 < share < 1.0:
        at = float(t[k]) + share * step
        return Fall(k, Moment(at, edge_u(step), step, line=(float(t[k]), float(t[k + 1]), level)), tail, slope)
    return Fall(k, Moment(0.5 * float(t[k] + t[k + 1]), edge_u(step), step), tail, slope)


@dataclass(frozen=True, slots=True)
class Taper:
    """Where a constant level begins to fade."""

    moment: Moment
    level: float
    """ln of the constant level."""
    level_u: float
    """Of ln level, from scatter."""
    flat: tuple[float, float]
    """From and to [s] over which the level is taken."""
    shape_s: float
    """How far a curve of one order less moves the bend [s]: no fade is known to be an exponential."""


def taper_of(t: Array, y: Array) -> Taper | None:
    """The end of the constant part of y, by a curve through ln y past the bend that is carried back to the level.

    Args:
        t: n times [s] of the load window.
        y: n values: current, or power where that is what the charger holds.

    Returns:
        The bend, or None where y never was constant, never faded, or the fade leaves fewer than seven samples.
    """
    smooth = _means(y)
    top = quantile(smooth, 0.95)
    if top <= 0.0:
        return None
    is_flat = np.abs(smooth - top) <= FLAT * top
    over = np.flatnonzero(smooth >= (1.0 - FLAT) * top)
    if len(over) < LEAST:
        return None
    last = int(over[-1])
    away = [b for a, b in runs_of(~is_flat[:last]) if b - a > BREAK_SAMPLES and t[b] - t[a] > BREAK_S]
    begin = away[-1] + 1 if away else int(over[0])
    # from well inside: the first samples still rise, the last ones bend
    count = last - begin
    inside = np.flatnonzero(is_flat[begin : begin + int(0.9 * count)])[count // 10 + 1 :] + begin
    if len(inside) < LEAST:
        return None
    level = float(np.mean(y[inside]))
    low, high = (share * level for share in FADES)
    under = np.flatnonzero(smooth[last:] <= high)
    if not len(under):
        return None
    first = last + int(under[0])
    gone = np.flatnonzero(smooth[first:] < low)
    end = first + int(gone[0]) - 1 if len(gone) else len(y) - 1
    if end - first + 1 < LEAST or (y[first : end + 1] <= 0.0).any():
        return None
    curve = fit_quadratic(t[first : end + 1], np.log(y[first : end + 1]))
    return _carried_back(curve, t, y, inside, level=level, first_s=float(t[first]))


def _carried_back(
    curve: Quadratic, t: Array, y: Array, part: IntArray, *, level: float, first_s: float
) -> Taper | None:
    at = curve.root(math.log(level), first_s)
    if at is None or at > first_s + curve.half_s or at < float(t[part[0]]):
        return None
    slope = curve.slope(at)
    if slope >= 0.0:
        return None
    level_u = 2.0 * noise(y[part]) / level / math.sqrt(len(part))
    u_s = math.hypot(curve.u(at), level_u) / abs(slope)
    inside = (t >= curve.from_s) & (t <= curve.to_s)
    line = np.polyfit(t[inside] - at, np.log(y[inside]), 1)
    shape_s = max(abs((math.log(level) - float(line[1])) / float(line[0])) - 2.0 * u_s, 0.0)
    crossing = Crossing(at, u_s, max(curve.samples - 3.0, 1.0), slope, math.log(level), curve)
    flat = float(t[part[0]]), float(t[part[-1]])
    return Taper(Moment(at, u_s, 0.0, crossing), math.log(level), level_u, flat, shape_s)
