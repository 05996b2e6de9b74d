"""Moments and spans found in a trace: loads held, cutbacks, ends, pauses, dropouts. Arrays in, indices out.

Every detector takes plain arrays without NaN and plain numbers, so that it can be tried on any signal.
Times are in seconds, powers in watts, positive in the run's direction.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np

from store.model.results import Array, Mask
from store.signal.statistics import median, median_of_three, noise, runs_of

__all__ = [
    "Dropout",
    "EndOfLoad",
    "LoadEnd",
    "Pause",
    "cutbacks",
    "dropouts",
    "end_of_load",
    "in_band",
    "last_in_band",
    "pauses",
    "steady_levels",
]


class LoadEnd(StrEnum):
    """Why a load ended."""

    CUT_OFF = "cut-off"
    TAKEN_OFF = "load taken off"
    FADING = "fading"
    LOG_STOPPED = "log stopped under load"


@dataclass(frozen=True, slots=True)
class EndOfLoad:
    """How a load ended."""

    word: LoadEnd
    at: int
    """Index of the first sample after the fall, or of the last sample."""
    fall_s: float
    """Time from the last sample at the level to the first under 2 % of the plateau; NaN where not seen."""


def in_band(y: Array, level: float, band: float) -> Mask:
    """Where y is within a share `band` of `level`."""
    return np.asarray(np.abs(y - level) <= band * abs(level))


def cutbacks(
    t: Array, y: Array, level: float, band: float, *, min_s: float, rise_share: float, cutoff_share: float
) -> tuple[list[tuple[int, int]], tuple[int, int] | None]:
    """Stretches under the band for over `min_s`, and the fading stretch at the end if there is one.

    Args:
        t: n times of the load window.
        y: n values of what the load holds, smoothed.
        level: the level held.
        band: share of the level.
        min_s: shorter stretches are settling.
        rise_share: a stretch that lasts to the end is a cutback where it reached four fifths of its depth
            within this share of its length (a level was taken up), else it is fading.
        cutoff_share: samples under this share of the level at the end belong to the fall.

    Returns:
        Cutbacks as first and last index, and the fading stretch or None.
    """
    low = y < (1.0 - band) * level
    inside = np.flatnonzero(in_band(y, level, band))
    if not len(inside):
        return [], None
    begin = int(inside[0])
    found: list[tuple[int, int]] = []
    fading: tuple[int, int] | None = None
    end = len(y) - 1
    for a, b in _joined(t, runs_of(low), min_s):
        if a < begin or t[b] - t[a] <= min_s:
            continue
        if b < end:
            found.append((a, b))
            continue
        body = y[a : b + 1]
        body = body[body > cutoff_share * level]
        if len(body) < 3:
            continue
        depth = level - median(body)
        reached = a + int(np.argmax(y[a : b + 1] <= level - 0.8 * depth))
        if t[reached] - t[a] <= rise_share * (t[b] - t[a]):
            found.append((a, b))
        else:
            fading = (a, b)
    return found, fading


def _joined(t: Array, spans: list[tuple[int, int]], within_s: float) -> list[tuple[int, int]]:
    """Spans with short breaks between them taken as one."""
    out: list[tuple[int, int]] = []
    for a, b in spans:
        if out and a - out[-1][1] <= 3 and t[a] - t[out[-1][1]] <= min(within_s, 5.0):
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out


def end_of_load(
    t: Array,
    p3: Array,
    last_on: int,
    plateau: float,
    *,
    off_share: float,
    within_s: float,
    is_fading: bool,
    v: Array | None = None,
) -> EndOfLoad:
    """How the load ended.

    Args:
        t: n times of the whole run.
        p3: n powers, medians of three.
        last_on: last sample of the load window.
        plateau: level [W].
        off_share: under this share of the plateau the output is off.
        within_s: a cut-off is at most this quick, or one step where steps are longer.
        is_fading: whether power faded before.
        v: n voltages [V]; None where they were not logged.

    Returns:
        Where power fell from four fifths of its last level to under `off_share` within `within_s`: cut-off if the
        voltage went with it, load taken off if the voltage stayed. Log stopped under load where no sample follows;
        else fading.
    """
    if last_on >= len(t) - 1:
        return EndOfLoad(LoadEnd.LOG_STOPPED, len(t) - 1, float("nan"))
    after = last_on + 1
    off = np.flatnonzero(p3[after:] < off_share * plateau)
    if not len(off):
        return EndOfLoad(LoadEnd.FADING, after, float("nan"))
    first_off = after + int(off[0])
    begin = int(np.searchsorted(t, t[last_on] - 60.0, side="left"))
    before = p3[begin : last_on + 1]
    level = median(before[before > 0.1 * plateau]) if (before > 0.1 * plateau).any() else plateau
    at_level = np.flatnonzero(p3[: last_on + 1] >= 0.8 * level)
    last_level = int(at_level[-1]) if len(at_level) else last_on
    fall = float(t[first_off] - t[last_level])
    quick = fall <= max(within_s, 1.01 * float(t[last_on + 1] - t[last_on])) or first_off - last_level <= 1
    if is_fading or not quick:
        return EndOfLoad(LoadEnd.FADING, first_off, fall)
    return EndOfLoad(
        LoadEnd.TAKEN_OFF if _voltage_stays(t, v, last_level, first_off) else LoadEnd.CUT_OFF, first_off, fall
    )


STAYS_SHARE = 0.9
"""Without its load a port's voltage rises; under nine tenths of what it was it has let go."""
STAYS_S = 3.0
"""A port that lets go may offer its voltage again without a load, but not at once."""


def _voltage_stays(t: Array, v: Array | None, last_level: int, first_off: int) -> bool:
    """Whether a port kept its voltage when the load ended: in every sample of the next seconds, two at the least."""
    if v is None:
        return False
    stop = max(int(np.searchsorted(t, t[first_off] + STAYS_S, side="right")), first_off + 2)
    after = v[last_level + 1 : stop]
    before = median(v[max(last_level - 4, 0) : last_level + 1])
    return len(after) >= 2 and before > 0.0 and bool((after >= STAYS_SHARE * before).all())


def last_in_band(y: Array, level: float, band: float) -> int | None:
    """Last index at which y is within the band with a neighbour, or None."""
    inside = in_band(y, level, band)
    pair = inside[:-1] & inside[1:]
    if not pair.any():
        return None
    return len(y) - 1 - int(np.argmax(pair[::-1]))


@dataclass(frozen=True, slots=True)
class Pause:
    """A rest in charging: first and last sample under the threshold, and how long it was."""

    a: int
    b: int
    length_s: float


def pauses(t: Array, p3: Array, threshold_w: float, min_s: float) -> list[Pause]:
    """Spans under the threshold for over `min_s` that lie between samples above it.

    The span runs from the first sample under the threshold to the first one above it again.
    """
    out: list[Pause] = []
    spans = [s for s in runs_of(p3 < threshold_w) if s[0] > 0 and s[1] < len(t) - 1]
    for a, b in _bridged(spans, p3, threshold_w):
        length = float(t[b + 1] - t[a])
        if length > min_s:
            out.append(Pause(a, b, length))
    return out


def _bridged(spans: list[tuple[int, int]], p3: Array, threshold_w: float) -> list[tuple[int, int]]:
    """Spans parted by no more than two samples above the threshold, taken as one."""
    out: list[tuple[int, int]] = []
    for a, b in spans:
        if out and a - out[-1][1] <= 3 and float(p3[out[-1][1] + 1 : a].max(initial=0.0)) < 2.0 * threshold_w:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out


@dataclass(frozen=True, slots=True)
class Dropout:
    """A span under a share of nominal voltage, followed by a return."""

    a: int
    b: int
    length_s: float
    """From the first sample under the limit to the first one above it: between this and two steps less is sure."""
    lowest_v: float


def dropouts(t: Array, v: Array, i: Array | None, limit_v: float) -> list[Dropout]:
    """Spans under `limit_v` with voltage before and after them.

    A single low sample counts only where the current fell with it, or no current is logged:
    a port that drops out can't go on delivering, a meter that misreads one value can.
    """
    low = v < limit_v
    out: list[Dropout] = []
    for a, b in runs_of(low):
        if a == 0 or b == len(v) - 1:
            continue
        if a == b and i is not None:
            near = max(float(i[a - 1]), float(i[b + 1]))
            if near > 0.0 and float(i[a]) > 0.8 * near:
                continue
        out.append(Dropout(a, b, float(t[b + 1] - t[a]), float(v[a : b + 1].min())))
    return out


def steady_levels(t: Array, y: Array, threshold: float, min_s: float) -> list[tuple[int, int]]:
    """Stretches over which y holds a level.

    A change is where the medians of a few samples before and after differ by more than `threshold`;
    of neighbouring candidates the largest counts. Stretches shorter than `min_s` are ramps.

    Args:
        t: n times.
        y: n values.
        threshold: smallest step that counts, in y's unit; noise is allowed for by itself.
        min_s: shortest level.

    Returns:
        First and last index of each level, in order, neighbours differing by more than the threshold.
    """
    n = len(y)
    if n < 2:
        return []
    edges = [0, *_changes(y, max(threshold, 5.0 * noise(y))), n]
    merged: list[tuple[int, int]] = []
    for a, b in [(a, b - 1) for a, b in pairwise(edges)]:
        if merged and abs(_level(y, merged[-1]) - _level(y, (a, b))) <= threshold:
            merged[-1] = (merged[-1][0], b)
        else:
            merged.append((a, b))
    whole = [s for s in merged if s[1] > s[0] and t[s[1]] - t[s[0]] >= min_s and not _is_ramp(y, s, threshold)]
    return _rejoined(y, whole, threshold)


def _rejoined(y: Array, spans: list[tuple[int, int]], threshold: float) -> list[tuple[int, int]]:
    """Levels that are alike with no more than a few samples between them, taken as one."""
    out: list[tuple[int, int]] = []
    for a, b in spans:
        if out and a - out[-1][1] <= 4 and abs(_level(y, out[-1]) - _level(y, (a, b))) <= threshold:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out


def _level(y: Array, span: tuple[int, int]) -> float:
    return median(y[span[0] : span[1] + 1])


def _is_ramp(y: Array, span: tuple[int, int], threshold: float) -> bool:
    """Whether a stretch creeps by more than the threshold from its first to its last quarter."""
    part = y[span[0] : span[1] + 1]
    if len(part) < 8:
        return False
    quarter = len(part) // 4
    return abs(median(part[-quarter:]) - median(part[:quarter])) > threshold


def _changes(y: Array, threshold: float) -> list[int]:
    """Indices of the first sample of each new level."""
    n = len(y)
    jump = _jumps(y)
    out: list[int] = []
    for a, b in runs_of(np.abs(jump) > threshold):
        out.extend(_split_peaks(jump, a, b))
    return [k for k in out if 0 < k < n]


def _jumps(y: Array) -> Array:
    """Difference of medians of three samples from k on and three before k, NaN-free, 0 at the ends."""
    n = len(y)
    jump = np.zeros(n)
    if n < 4:
        jump[1:] = np.diff(y)
        return jump
    clean = median_of_three(y)
    before = np.concatenate(([y[0]], clean[:-2], [clean[-2]])) if n > 2 else y
    ahead = np.concatenate((clean[1:], [y[-1]]))
    jump[1:] = ahead[1:] - before[1:]
    return jump


def _split_peaks(jump: Array, a: int, b: int) -> list[int]:
    """The index of the largest jump of a stretch of candidates; of a long stretch, one per sign."""
    part = jump[a : b + 1]
    out = []
    for sign in (1.0, -1.0):
        signed = part * sign
        if float(signed.max()) > 0.0:
            peak = float(signed.max())
            at = np.flatnonzero(signed >= 0.98 * peak)
            out.append(a + int(at[len(at) // 2]))
    return sorted(set(out))
