"""A run too long for memory, made short without losing an event or a watt-hour. Knows arrays only.

The samples pass once, in pieces: power, voltage and current to `track`, other channels thinned here.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator, Mapping
from typing import TypeVar

import numpy as np

from store.model.results import Array, Correction
from store.signal.signals import (
    COUNTERS,
    TEMPERATURES,
    SampleSeries,
    Signals,
    correct,
    find_gaps,
    means_of,
    median_step,
    unwrap_counter,
    zero_current,
)
from store.signal.statistics import noise
from store.signal.thresholds import ThresholdRange
from store.signal.track import BLOCK, ONES, Blocks, Track, electrical

__all__ = ["condense"]

T = TypeVar("T")


def ahead(pieces: Iterator[T]) -> Iterator[T]:
    """The same items, made up to two ahead by a thread of their own: decoding and arithmetic share two cores."""
    ready: queue.Queue[T | BaseException | None] = queue.Queue(maxsize=2)
    stop = threading.Event()

    def put(item: T | BaseException | None) -> bool:
        while not stop.is_set():
            try:
                ready.put(item, timeout=0.1)
            except queue.Full:
                continue
            return True
        return False

    def read() -> None:
        try:
            for piece in pieces:
                if not put(piece):
                    return
            put(None)
        except BaseException as error:  # noqa: BLE001  # handed to the caller's thread, not swallowed
            put(error)

    thread = threading.Thread(target=read, name="pieces", daemon=True)
    thread.start()
    try:
        while (item := ready.get()) is not None:
            if isinstance(item, BaseException):
                raise item
            yield item
    finally:
        stop.set()
        thread.join()


def _thinned(t: Array, y: Array, gap_s: float) -> tuple[Array, Array]:
    """Of each block of a channel its first, smallest and largest value, and both sides of gaps, in order of time."""
    valid = np.isfinite(y)
    if not valid.all():
        t, y = t[valid], y[valid]
    count = len(y) // BLOCK * BLOCK
    if not count:
        return t, y
    rows = y[:count].reshape(-1, BLOCK)
    begin = np.arange(0, count, BLOCK)
    before = np.flatnonzero(np.diff(t) > gap_s)
    picks = np.stack((begin, begin + rows.argmin(axis=1), begin + rows.argmax(axis=1)), axis=1)
    picks.sort(axis=1)
    is_new = np.ones(picks.shape, dtype=bool)
    is_new[:, 1:] = picks[:, 1:] > picks[:, :-1]
    at = np.concatenate((picks[is_new], np.arange(count, len(y))))
    if at[-1] < len(y) - 1:
        at = np.append(at, len(y) - 1)
    if len(before):
        at = np.unique(np.concatenate((at, before, before + 1)))
    return t[at], y[at]


def _means(t: Array, y: Array) -> tuple[Array, Array]:
    """Of each block of a channel the mean time and the mean value: what a fit or a slope stands on."""
    valid = np.isfinite(y)
    if not valid.all():
        t, y = t[valid], y[valid]
    count = len(y) // BLOCK * BLOCK
    if not count:
        return t, y
    scale = 1.0 / BLOCK
    rest = slice(count, len(y))
    ts, ys = (x[:count].reshape(-1, BLOCK) @ ONES * scale for x in (t, y))
    return (np.append(ts, t[rest].mean()), np.append(ys, y[rest].mean())) if count < len(y) else (ts, ys)


def condense(
    first: Mapping[str, Array],
    rest: Iterator[Mapping[str, Array]],
    samples: int,
    limits: ThresholdRange,
    *,
    corrections: tuple[Correction, ...] = (),
    offset_limit_a: float | None = None,
) -> Signals:
    """Everything that reducers need, from a run that comes in pieces, in bounded memory.

    Args:
        first: the first piece: `t_s` and channels, NaN where absent.
        rest: the other pieces.
        samples: number of samples in all.
        limits: constants in force.
        corrections: a calibration's corrections.
        offset_limit_a: limit of the meter's current offset [A], None where unknown.
    """
    step = median_step(first["t_s"])
    gap_s = max(limits["gap_steps"] * step, limits["gap_min_s"])
    names = [n for n in first if n != "t_s"]
    has_product = "voltage_v" in names and "current_a" in names
    track = None
    if has_product or "power_w" in names:
        amps = first["current_a"] if has_product else np.zeros(0)
        amps = amps[np.isfinite(amps)]
        zero_a = max(zero_current(amps, offset_limit_a, limits), 5.0 * noise(amps[:8192])) if has_product else 0.0
        track = Track(step, gap_s, zero_a, has_product)
    own = ("voltage_v", "current_a", "power_w") if has_product else ("power_w",)
    smooth: dict[str, list[tuple[Array, Array]]] = {n: [] for n in names if n in TEMPERATURES}
    thin: dict[str, list[tuple[Array, Array]]] = {n: [] for n in names if track is None or n not in own[:2]}
    first_s = last_s = None
    for piece, blocks in ahead(_in_blocks(_chain(first, rest), corrections, track)):
        first_s = float(piece["t_s"][0]) if first_s is None else first_s
        last_s = float(piece["t_s"][-1])
        for name, kept in smooth.items():
            kept.append(_means(piece["t_s"], piece[name]))
        for name, kept in thin.items():
            kept.append(_thinned(piece["t_s"], piece[name], gap_s))
        if track is not None and blocks is not None:
            track.keep(blocks)
    series = {
        n: SampleSeries(*(np.concatenate(part) for part in zip(*kept, strict=True))) for n, kept in thin.items() if kept
    }
    series = {n: s for n, s in series.items() if len(s)}
    events = []
    for name in COUNTERS:
        if name in series:
            series[name], restarts = unwrap_counter(series[name])
            events.extend(restarts)
    power = electrical(track, series) if track is not None and track.used else None
    gaps: tuple[tuple[float, float], ...] = ()
    warnings = [f"placed to {BLOCK} samples in quiet stretches: the run is too long to be held whole"]
    if power is not None:
        where = np.flatnonzero(power.is_gap)
        gaps = tuple((float(power.t[k]), float(power.t[k + 1])) for k in where)
        if power.v is not None and power.i is not None:
            series["voltage_v"], series["current_a"] = SampleSeries(power.t, power.v), SampleSeries(power.t, power.i)
    elif series:
        longest = max(series.values(), key=len)
        where = np.flatnonzero(find_gaps(longest.t, BLOCK * step, limits))
        gaps = tuple((float(longest.t[k]), float(longest.t[k + 1])) for k in where)
    for name, kept in smooth.items():
        if name in series:
            series[means_of(name)] = SampleSeries(*(np.concatenate(part) for part in zip(*kept, strict=True)))
    if track is not None and track.is_coarse:
        warnings.append("too restless to keep every event: short ones may be missed")
    return Signals(
        samples, first_s or 0.0, last_s or 0.0, step, series, power, gaps, tuple(warnings), tuple(events), BLOCK * step
    )


def _in_blocks(
    pieces: Iterator[Mapping[str, Array]], corrections: tuple[Correction, ...], track: Track | None
) -> Iterator[tuple[Mapping[str, Array], Blocks | None]]:
    """Corrected pieces, each with the blocks that it completes."""
    for raw in pieces:
        piece = correct(raw, corrections)
        if len(piece["t_s"]):
            yield piece, track.blocks(piece) if track is not None else None


def _chain(first: Mapping[str, Array], rest: Iterator[Mapping[str, Array]]) -> Iterator[Mapping[str, Array]]:
    yield first
    yield from rest
