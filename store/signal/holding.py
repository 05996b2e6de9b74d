"""How long a level was held, judged so that noise does not decide; moments between samples. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from store.model.results import Array, Mask
from store.signal.crossings import Crossing, local_crossing
from store.signal.detectors import in_band
from store.signal.edges import edge_u
from store.signal.statistics import median, median_of_three, noise, runs_of

__all__ = ["Held", "Moment", "held_span", "judged", "moment_of_fall"]

SPAN_S = 10.0
"""Levels are judged on means of 10 s."""
FEW = 9
"""... or of up to nine samples where steps are longer and noise would still decide."""
QUIET_SHARE = 0.25
"""Noise of a quarter of the band no longer decides."""
SIGMAS = 3.0
"""A stretch outside that noise explains within three standard deviations breaks nothing."""
JUMP_SHARE = 0.5
"""A fall of which one step makes half is an edge."""


@dataclass(frozen=True, slots=True)
class Moment:
    """When a signal left a level: at an edge between two samples, or where a slope crossed."""

    at_s: float
    u_s: float
    step_s: float
    """Of the step that holds the edge; 0 for a slope."""
    crossing: Crossing | None = None
    line: tuple[float, float, float] | None = None
    """Two samples' times and the level that the line between them crosses, where a slope was too short for a curve."""


@dataclass(frozen=True, slots=True)
class Held:
    """The longest stretch: first and last index, and its two moments where something ended it within the log."""

    first: int
    last: int
    begin: Moment | None
    end: Moment | None


def judged(t: Array, y: Array, level: float, band: float) -> Array:
    """Values quiet enough for a band: medians of three, then means over 10 s, or over more samples where it takes more.

    Edges stay where they are: each mean is over the quieter side of its sample.

    Args:
        t: n times [s].
        y: n values.
        level: the level held.
        band: share of it.
    """
    clean = median_of_three(y)
    if len(y) < 5:
        return clean
    step = median(np.diff(t))
    spread = noise(clean[clean > 0.5 * level])
    limit = QUIET_SHARE * band * abs(level)
    wanted = (spread / limit) ** 2 + 1.0 if limit > 0.0 else 1.0
    width = int(max(SPAN_S / step if step > 0.0 else 1.0, min(wanted, FEW)))
    return clean if width < 2 else _edge_keeping_mean(clean, min(width, max(2, len(y) // 4)))


def _edge_keeping_mean(y: Array, width: int) -> Array:
    """Mean over the quieter side of each sample: edges stay where they are."""
    total = np.concatenate(([0.0], np.cumsum(y)))
    square = np.concatenate(([0.0], np.cumsum(y * y)))
    n = len(y)
    at = np.arange(n)
    means, spreads = [], []
    for first, last in ((at - width + 1, at + 1), (at, at + width), (at - width // 2, at + width // 2 + 1)):
        a, b = np.clip(first, 0, n), np.clip(last, 0, n)
        count = b - a
        mean = (total[b] - total[a]) / count
        spread = np.maximum((square[b] - square[a]) / count - mean * mean, 0.0)
        means.append(mean)
        spreads.append(np.where(count < max(2, width // 2), np.inf, spread))
    best = np.argmin(np.stack(spreads), axis=0)
    return np.asarray(np.choose(best, means))


def held_span(t: Array, y: Array, level: float, band: float, *, break_s: float, is_gap: Mask) -> Held | None:
    """Longest unbroken stretch within a band.

    Args:
        t: n times of the load window.
        y: n values of what the load holds, as logged.
        level: the level held.
        band: share of the level, either way.
        break_s: excursions up to this long, and single samples, don't break it unless y falls under half the level.
        is_gap: n - 1, True where a step is a gap: nothing is known to be held across one.

    Returns:
        The stretch, or None where y never was in the band.
    """
    quiet = judged(t, y, level, band)
    inside = in_band(quiet, level, band)
    clean = median_of_three(y)
    spread = noise(y[clean > 0.5 * level]) if level > 0.0 else 0.0
    for a, b in runs_of(~inside):
        is_end = a == 0 or b == len(y) - 1
        low = float(clean[a : b + 1].min())
        is_brief = not is_end and t[b + 1] - t[a - 1] <= break_s + (t[a] - t[a - 1]) and low > 0.5 * level
        mean = float(np.mean(y[a : b + 1]))
        is_noise = abs(mean - level) - band * level <= SIGMAS * spread / math.sqrt(b - a + 1.0)
        if is_brief or (is_noise and b - a < FEW):
            inside[a : b + 1] = True
    best: tuple[int, int] | None = None
    for a, b in runs_of(inside):
        start = a
        for k in (*(np.flatnonzero(is_gap[a:b]) + a), b):
            if best is None or t[k] - t[start] > t[best[1]] - t[best[0]]:
                best = (start, int(k))
            start = int(k) + 1
    if best is None:
        return None
    first, last = best
    begin = end = None
    if first > 0 and not is_gap[first - 1]:
        limit = level * (1.0 - band if quiet[first - 1] < level else 1.0 + band)
        begin = moment_of_fall(t[::-1], y[::-1], len(t) - 1 - first, limit, level)
    if last < len(t) - 1 and not is_gap[last]:
        limit = level * (1.0 - band if quiet[last + 1] < level else 1.0 + band)
        end = moment_of_fall(t, y, last, limit, level)
    return Held(first, last, begin, end)


def moment_of_fall(t: Array, y: Array, last: int, threshold: float, level: float) -> Moment:
    """When a signal left a level near index `last`, upwards or downwards.

    Args:
        t: n times [s], all rising or all falling.
        y: n values.
        last: the last sample that still counts as at the level, give or take a few.
        threshold: where the band ends.
        level: the level.

    Returns:
        The middle of the step that holds the edge, or the crossing of a slope.
    """
    clean = median_of_three(y)
    usual = median(np.abs(np.diff(t)))
    reach = max(5, math.ceil(SPAN_S / usual)) if usual > 0.0 else 5
    first, stop = max(last - reach, 0), min(last + reach, len(y) - 1)
    d = np.abs(np.diff(clean[first : stop + 1]))
    before = median(clean[max(first - reach, 0) : first + 1])
    ahead = median(clean[stop : min(stop + reach, len(y))])
    change = abs(before - ahead)
    k = first + int(np.argmax(d))
    spread = max(noise(y), _rough(y))
    if not (d.max() >= JUMP_SHARE * change and d.max() > 4.0 * spread):
        crossing = _slope_crossing(t, y, last, (threshold, level), reach)
        if crossing is not None:
            return Moment(crossing.at_s, crossing.u_s, 0.0, crossing)
        beyond = (clean - threshold) * (level - threshold) <= 0.0
        out = np.flatnonzero(beyond[first:stop] & beyond[first + 1 : stop + 1])
        k = min(first + int(out[0]) - 1 if len(out) and first + out[0] > 0 else last, len(t) - 2)
        step = abs(float(t[k + 1] - t[k]))
        rise = float(y[k + 1] - y[k])
        share = (threshold - float(y[k])) / rise if rise else -1.0
        if 0.0 < share < 1.0:
            at = float(t[k]) + share * float(t[k + 1] - t[k])
            return Moment(at, edge_u(step), step, line=(float(t[k]), float(t[k + 1]), threshold))
    step = abs(float(t[k + 1] - t[k]))
    return Moment(0.5 * float(t[k] + t[k + 1]), edge_u(step), step)


def _rough(y: Array) -> float:
    """Noise as second differences tell it: it sees the display's digits where most readings stand still."""
    dd = np.abs(np.diff(y, 2))
    if not len(dd):
        return 0.0
    return float(np.sqrt(np.mean(dd[dd <= np.quantile(dd, 0.98)] ** 2) / 6.0))


def _slope_crossing(t: Array, y: Array, last: int, limits: tuple[float, float], reach: int) -> Crossing | None:
    """Where a slope crosses: the fit takes what lies between a third of the way to the threshold and five times it."""
    threshold, level = limits
    width = max(1, min(reach, len(y) // 10)) | 1
    clean = median_of_three(y)
    smooth = np.convolve(np.pad(clean, width // 2, mode="edge"), np.full(width, 1.0 / width), "valid")
    away = (level - smooth) / (level - threshold)
    begin, stop = max(last - 2 * reach, 0), min(last + 2 * reach, len(y))
    over = np.flatnonzero(away[begin:stop] >= 1.0)
    if not len(over):
        return None
    near = begin + int(over[0])
    may = (away >= 0.3) & (away <= 5.0)
    may[near] = True
    if t[-1] >= t[0]:
        return local_crossing(t, y, threshold, near, reach=may)
    return local_crossing(t[::-1], y[::-1], threshold, len(t) - 1 - near, reach=may[::-1])
