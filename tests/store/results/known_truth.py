"""Random traces whose events are known, with what real logs have: noise, spikes, missing cells, gaps, odd steps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from store.methods import reduce_run
from store.model.results import ArrayTrace, RunContext

STEPS_S = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)


@dataclass(frozen=True)
class Case:
    """A trace, the facts to reduce it by, and the true moments of one kind of event [s]."""

    columns: dict[str, np.ndarray]
    context: RunContext
    kinds: tuple[str, ...]
    truth: tuple[float, ...]
    at_end: bool = False
    """True where an event's end is the moment, not its start."""


@dataclass(frozen=True)
class Score:
    """Tally of a detector over many traces."""

    name: str
    traces: int
    with_event: int
    found: int
    false: int

    @property
    def found_share(self) -> float:
        return self.found / self.with_event

    @property
    def false_share(self) -> float:
        return self.false / self.traces


def clock(rng: np.random.Generator, seconds: float, step: float) -> np.ndarray:
    """Sample times: jittered steps, the first at 0."""
    n = max(int(seconds / step), 12)
    steps = step * (1.0 + rng.uniform(-0.1, 0.1, n))
    return np.concatenate(([0.0], np.cumsum(steps)))


def roughen(
    rng: np.random.Generator,
    t: np.ndarray,
    v: np.ndarray,
    i: np.ndarray,
    keep: tuple[float, ...],
    lone_v_spikes: bool = True,
) -> dict[str, np.ndarray]:
    """Noise, quantisation, single-sample spikes, missing cells and gaps; nothing is cut within 6 steps of `keep`."""
    n = len(t)
    top = float(i.max())
    v = v * (1.0 + rng.normal(0.0, rng.uniform(2e-4, 2e-3), n))
    i = i * (1.0 + rng.normal(0.0, rng.uniform(1e-3, 1e-2), n)) + rng.normal(0.0, 2e-4 * top, n)
    v, i = np.round(v, 3), np.round(i, 3 if top > 0.5 else 4)
    spikes = spaced(rng, n, 0.002)
    i[spikes] *= rng.uniform(0.0, 2.5, len(spikes))
    if lone_v_spikes:
        spikes = spaced(rng, n, 0.001)
        v[spikes] *= rng.uniform(0.0, 1.5, len(spikes))
    away = np.ones(n, dtype=bool)
    step = float(np.median(np.diff(t)))
    for moment in keep:
        away &= np.abs(t - moment) > 6.0 * step
    lost = (rng.random(n) < 0.004) & away
    (v if rng.random() < 0.5 else i)[lost] = np.nan
    kept = np.ones(n, dtype=bool)
    for _ in range(int(rng.integers(0, 3))):
        begin = int(rng.integers(3, n - 3))
        span = slice(begin, min(begin + int(rng.integers(6, 30)), n - 3))
        if away[max(span.start - 6, 0) : span.stop + 6].all():
            kept[span] = False
    return {"t_s": t[kept], "voltage_v": v[kept], "current_a": i[kept]}


def spaced(rng: np.random.Generator, n: int, rate: float) -> np.ndarray:
    """Indices of single spikes: never two within three samples, none at the ends."""
    hits = np.flatnonzero(rng.random(n) < rate)
    hits = hits[(hits > 1) & (hits < n - 2)]
    return hits[np.concatenate(([True], np.diff(hits) > 3))] if len(hits) else hits


def _load(rng: np.random.Generator) -> tuple[float, float]:
    volts = float(rng.choice([5.0, 9.0, 12.0, 15.0, 20.0]))
    return volts, float(rng.uniform(0.3, 5.0))


def _start(rng: np.random.Generator, step: float) -> float:
    return 0.0 if rng.random() < 0.3 else float(rng.uniform(2.0, 12.0)) * step


def cut_off(rng: np.random.Generator) -> Case:
    step = float(rng.choice(STEPS_S))
    volts, amps = _load(rng)
    length = float(rng.uniform(400, 1500)) * step
    begin, end = _start(rng, step), length * float(rng.uniform(0.6, 0.9))
    t = clock(rng, length, step)
    word = str(rng.choice(["cut-off", "cut-off", "cut-off", "fade", "stop"]))
    shape = ((t >= begin) & (t < end)).astype(float)
    if word == "fade":
        fade = max(60.0, 12.0 * step) * float(rng.uniform(1.0, 4.0))
        shape *= np.clip((end - t) / fade, 0.0, 1.0)
    if word == "stop":
        t, shape = t[t < end], shape[t < end]
    v = volts * (1.0 - 0.03 * t / length) * np.where(t < end, 1.0, float(rng.uniform(0.0, 1.0) > 0.5))
    columns = roughen(rng, t, v, amps * shape, (begin, end))
    truth = (float(t[t >= end][0]),) if word == "cut-off" else ()
    return Case(columns, RunContext("discharge", "out"), ("cut-off", "load taken off"), truth, at_end=True)


def cutback(rng: np.random.Generator) -> Case:
    step = float(rng.choice(STEPS_S))
    volts, amps = _load(rng)
    length = float(rng.uniform(500, 1500)) * step
    begin, end = _start(rng, step), length * 0.95
    t = clock(rng, length, step)
    shape = ((t >= begin) & (t < end)).astype(float)
    truth: tuple[float, ...] = ()
    hold = max(14.0, 5.0 * step)
    kind = str(rng.choice(["back", "to the end", "none", "dip"]))
    at = length * float(rng.uniform(0.55, 0.75))
    depth = float(rng.uniform(0.25, 0.9))
    until = at + hold + float(rng.uniform(0.0, 0.1)) * length
    if kind == "back":
        shape[(t >= at) & (t < until)] *= depth
    elif kind == "to the end":
        shape[t >= at] *= depth
    elif kind == "dip":
        shape[(t >= at) & (t < at + min(6.0, 0.9 * hold))] *= depth
    if kind in ("back", "to the end"):
        truth = (float(t[t >= at][0]),)
    if kind == "dip" and step > 3.0:
        shape = ((t >= begin) & (t < end)).astype(float)
    columns = roughen(rng, t, np.full(len(t), volts), amps * shape, (begin, at, until, end))
    load = f"{volts * amps:.4g} W" if rng.random() < 0.5 else None
    return Case(columns, RunContext("discharge", "out", load_set=load), ("cutback",), truth)


def pause(rng: np.random.Generator) -> Case:
    step = float(rng.choice(STEPS_S))
    volts, amps = _load(rng)
    length = float(rng.uniform(800, 2000)) * step + 600.0
    t = clock(rng, length, step)
    full = 0.8 * length
    shape = np.where(t < 0.6 * length, 1.0, np.exp(-(t - 0.6 * length) / (0.06 * length))) * (t < full)
    truth = []
    keep = [full]
    at = 0.1 * length
    for _ in range(int(rng.integers(0, 4))):
        rest = max(40.0, 4.0 * step) * float(rng.uniform(1.0, 2.5))
        if at + rest > 0.55 * length:
            break
        quiet = (t >= at) & (t < at + rest)
        shape[quiet] = float(rng.uniform(0.0, 0.03))
        truth.append(float(t[quiet][0]))
        keep += [at, at + rest]
        at += rest + max(20.0, 10.0 * step) * float(rng.uniform(1.0, 3.0))
    if step <= 2.0 and at < 0.5 * length:
        shape[(t >= at) & (t < at + 15.0)] = 0.02
        keep += [at, at + 15.0]
    columns = roughen(rng, t, np.full(len(t), volts), amps * shape, tuple(keep))
    return Case(columns, RunContext("recharge", "in"), ("pause", "thermal pause"), tuple(truth))


def dropout(rng: np.random.Generator) -> Case:
    step = float(rng.choice(STEPS_S))
    volts, amps = _load(rng)
    length = float(rng.uniform(300, 1500)) * step
    t = clock(rng, length, step)
    n = len(t)
    v, i = np.full(n, volts), np.full(n, amps)
    truth, keep = [], []
    for begin in np.sort(rng.choice(np.arange(40, n - 60, 40), int(rng.integers(0, 4)), replace=False)):
        width = int(rng.integers(1, 15))
        depth = float(rng.uniform(0.0, 0.6))
        v[begin : begin + width] *= depth
        i[begin : begin + width] *= float(rng.uniform(0.0, 0.5))
        truth.append(float(t[begin]))
        keep += [float(t[begin]), float(t[begin + width])]
    columns = roughen(rng, t, v, i, tuple(keep))
    return Case(columns, RunContext("pass-through", "out"), ("dropout",), tuple(truth))


def mode_change(rng: np.random.Generator) -> Case:
    step = float(rng.choice(STEPS_S))
    t = clock(rng, float(rng.uniform(300, 1500)) * step, step)
    n = len(t)
    volts = [float(x) for x in rng.choice([5.0, 9.0, 12.0, 15.0, 20.0], int(rng.integers(1, 4)), replace=False)]
    cuts = np.sort(rng.choice(np.arange(60, n - 60, 60), len(volts) - 1, replace=False)) if len(volts) > 1 else []
    v = np.full(n, volts[0])
    for cut, value in zip(cuts, volts[1:], strict=True):
        v[cut:] = value
    truth = tuple(float(t[c]) for c in cuts)
    columns = roughen(rng, t, v, np.full(n, float(rng.uniform(0.3, 3.0))), truth)
    return Case(columns, RunContext("pass-through", "out"), ("mode change",), truth)


def trip(rng: np.random.Generator) -> Case:
    step = float(rng.choice((0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)))
    volts = float(rng.choice([5.0, 9.0, 12.0, 15.0, 20.0]))
    n = int(rng.integers(150, 1500))
    t = clock(rng, n * step, step)
    n = len(t)
    stairs = int(rng.integers(10, 60))
    i = float(rng.uniform(2.0, 7.0)) * np.floor(np.linspace(0.0, stairs, n)) / stairs
    v = volts - float(rng.uniform(0.0, 0.02)) * volts * i / float(i.max())
    truth: tuple[float, ...] = ()
    if rng.random() < 0.8:
        at = int(n * rng.uniform(0.6, 0.95))
        v[at:] = float(rng.uniform(0.0, 0.3)) * volts if rng.random() < 0.5 else 0.0
        i[at:] = 0.0
        if rng.random() < 0.4 and n - at > 12:
            v[at + int(rng.integers(4, 8)) :] = volts
        truth = (float(t[at]),)
    columns = roughen(rng, t, v, i, truth)
    return Case(columns, RunContext("overload", "out", mode=f"fixed {volts:g} V"), ("trip",), truth, at_end=True)


def switch_off(rng: np.random.Generator) -> Case:
    step = float(rng.choice(STEPS_S))
    volts = float(rng.choice([5.0, 9.0, 12.0]))
    dwell = max(70.0, 10.0 * step)
    currents = np.sort(rng.choice(np.array([0.2, 0.15, 0.1, 0.08, 0.06, 0.045, 0.03]), 5, replace=False))[::-1]
    t = clock(rng, dwell * 6, step)
    k = np.minimum((t / dwell).astype(int), 4)
    i, v = currents[k], np.full(len(t), volts)
    truth: tuple[float, ...] = ()
    if rng.random() < 0.8:
        at = dwell * float(rng.integers(1, 5)) + float(rng.uniform(0.3, 0.7)) * dwell
        off = t >= at
        v[off] = 0.0
        i[off] = 0.0
        truth = (float(t[off][0]),)
    columns = roughen(rng, t, v, i, (*truth, *(dwell * np.arange(1, 6))))
    return Case(
        columns, RunContext("light-load", "out", mode=f"fixed {volts:g} V"), ("switch-off",), truth, at_end=True
    )


def level_change(rng: np.random.Generator) -> Case:
    step = float(rng.choice(STEPS_S))
    volts = float(rng.choice([5.0, 9.0, 12.0, 15.0, 20.0]))
    count = int(rng.integers(3, 11))
    top = float(rng.uniform(1.0, 5.0))
    amps = top * np.arange(count) / (count - 1)
    if rng.random() < 0.3:
        amps = amps[::-1]
    dwell = max(6.0, float(rng.integers(12, 40)) * step)
    t = clock(rng, dwell * count, step)
    k = np.minimum((t / dwell).astype(int), count - 1)
    truth = tuple(float(t[k == m][0]) for m in range(1, count))
    columns = roughen(rng, t, volts - 0.05 * amps[k], amps[k], truth)
    return Case(columns, RunContext("regulation", "out", mode=f"fixed {volts:g} V"), ("level",), truth)


def hardened(rng: np.random.Generator, case: Case) -> Case:
    """The same trace from a worse meter: steps off by up to a quarter either way, more spikes, one cell in fifty empty,
    a temperature in whole kelvins, and, where it began idle, a load that ramps softly."""
    columns = {name: y.copy() for name, y in case.columns.items()}
    t, amps = columns["t_s"], columns["current_a"]
    n, step = len(t), float(np.median(np.diff(t)))
    moved = np.concatenate(([t[0]], t[1:-1] + 0.27 * step * rng.uniform(-1.0, 1.0, n - 2), [t[-1]]))
    truth = tuple(float(moved[int(np.argmin(np.abs(t - moment)))]) for moment in case.truth)
    columns["t_s"] = moved
    top = float(np.nanmax(amps))
    idle = int(np.argmax(np.nan_to_num(amps) > 0.3 * top))
    if "cut-off" in case.kinds and 2 <= idle < n - 40:
        ramp = np.clip((np.arange(n) - idle + 1) / 6.0, 0.0, 1.0)
        amps *= ramp
    spikes = spaced(rng, n, 0.004)
    amps[spikes] *= rng.uniform(0.0, 3.0, len(spikes))
    columns["voltage_v" if rng.random() < 0.5 else "current_a"][rng.random(n) < 0.02] = np.nan
    columns["temperature_c"] = np.round(22.0 - 20.0 * np.expm1(-t / (0.3 * t[-1])) + 0.05 * rng.standard_normal(n))
    return replace(case, columns=columns, truth=truth)


DETECTORS: dict[str, Callable[[np.random.Generator], Case]] = {
    "cut-off": cut_off,
    "cutback": cutback,
    "pause": pause,
    "dropout": dropout,
    "mode change": mode_change,
    "trip": trip,
    "switch-off": switch_off,
    "level change": level_change,
}


def found_moments(case: Case) -> list[float]:
    """Moments of the events that the reduction found."""
    reduction = reduce_run(ArrayTrace(case.columns), case.context)
    events = [e for e in reduction.events if e.kind in case.kinds]
    if case.kinds == ("level",):
        return [e.value for e in events if e.value is not None][1:] if False else [e.from_s for e in events][1:]
    return [e.to_s if case.at_end else e.from_s for e in events]


def compare(case: Case) -> tuple[bool, int]:
    """Whether every true event was found within 2 samples, and how many finds fit no true event."""
    t = case.columns["t_s"]
    found = found_moments(case)
    left = list(found)
    every = True
    for moment in case.truth:
        near = [f for f in left if abs(int(np.searchsorted(t, f)) - int(np.searchsorted(t, moment))) <= 2]
        if near:
            left.remove(min(near, key=lambda f: abs(f - moment)))
        else:
            every = False
    return every, len(left)


def score(name: str, traces: int, seed: int = 20260301, *, is_hard: bool = False) -> tuple[Score, list[int]]:
    """Run a detector over many traces; also gives the numbers of the traces that went wrong."""
    with_event = found = false = 0
    wrong = []
    for number in range(traces):
        case = DETECTORS[name](np.random.default_rng([seed, number]))
        if is_hard:
            case = hardened(np.random.default_rng([seed, number, 1]), case)
        every, extra = compare(case)
        with_event += bool(case.truth)
        found += bool(case.truth) and every
        false += bool(extra)
        if extra or not every:
            wrong.append(number)
    return Score(name, traces, with_event, found, false), wrong
