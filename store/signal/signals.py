"""A run's channels made ready for reduction: valid samples, steps, gaps and running integrals. Knows arrays only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from store.model.results import Array, Correction, Event, Mask, Power
from store.signal.edges import is_jump
from store.signal.integrate import (
    HOUR_S,
    bilinear_steps,
    cumulative,
    every_second,
    split_charge_steps,
    split_energy_steps,
    trapezoid_steps,
)
from store.signal.statistics import Moments, half_spread, median, median_of_three, moments, noise, time_weights
from store.signal.thresholds import ThresholdRange

__all__ = [
    "TEMPERATURES",
    "Electrical",
    "SampleSeries",
    "Signals",
    "build_signals",
    "find_gaps",
    "means_of",
    "median_step",
]

TEMPERATURES = (
    "temperature_c",
    "temperature_cell_c",
    "temperature_plug_c",
    "temperature_meter_c",
    "temperature_ambient_c",
    "temperature_2_c",
)
COUNTERS = ("energy_wh", "charge_ah")


def means_of(channel: str) -> str:
    """Under which name a long run that was made short holds the means of a channel's blocks."""
    return f"means of {channel}"


@dataclass(frozen=True, slots=True)
class SampleSeries:
    """The valid samples of one channel: n times [s], n values, no NaN."""

    t: Array
    y: Array

    def __len__(self) -> int:
        """Number of valid samples."""
        return len(self.t)

    def between(self, from_s: float, to_s: float) -> SampleSeries:
        """Samples from from_s to to_s, both within."""
        a = int(np.searchsorted(self.t, from_s, side="left"))
        b = int(np.searchsorted(self.t, to_s, side="right"))
        return SampleSeries(self.t[a:b], self.y[a:b])


@dataclass(frozen=True, slots=True)
class Electrical:
    """Voltage, current and power on the samples that have them all, with running integrals.

    `total` holds, per kept sample, the integral from the first one, never across a gap unless the
    meter's counter spans it: energy [Wh], charge [Ah], volt_hours [V h], hours [h, without gaps],
    energy_half and charge_half (every second sample), and, where current flows both ways,
    energy_along, energy_against, charge_along, charge_against.
    """

    t: Array
    p: Array
    v: Array | None
    i: Array | None
    is_gap: Mask
    """n - 1 steps."""
    total: Mapping[str, Array]
    source: Power
    """`V x I` or `logged power`."""
    p3: Array
    """Power, median of three: what detectors look at."""
    left_out: int
    """Samples without a value for power."""
    shifts: Mapping[str, float]
    """Condensed runs only: `total` then holds `v1`, `v2`, ... the integrals of y - shift and its square [h]."""
    bounds: Mapping[str, tuple[Array, Array]]
    """Condensed runs only: smallest and largest value from each kept sample up to the next."""
    used: int
    """Samples behind `total`: more than len(t) where the run was condensed."""
    grain_s: float = 0.0
    """How finely moments can be placed: 0 = to the sample."""
    filled_wh: Array | None = None
    """Per step, energy taken from the meter's counter across a gap [Wh]."""
    filled_ah: Array | None = None
    zero_a: float = 0.0
    """Current under which nothing flows, for telling directions apart [A]."""

    @property
    def is_both_ways(self) -> bool:
        """Whether current flowed in both directions."""
        return "energy_along" in self.total

    def integral(self, name: str, a: int, b: int) -> float:
        """Integral from kept sample a to kept sample b."""
        total = self.total[name]
        return float(total[b] - total[a])

    def gap_s(self, a: int, b: int) -> tuple[float, int]:
        """Length [s] and number of gaps between two kept samples."""
        where = np.flatnonzero(self.is_gap[a:b]) + a
        return float((self.t[where + 1] - self.t[where]).sum()), len(where)

    def moments(self, name: str, a: int, b: int) -> Moments:
        """Time-weighted mean and standard deviation of `v`, `i` or `p` over samples a to b."""
        hours = self.integral("hours", a, b)
        if name in self.shifts and hours > 0.0:
            mean = self.integral(f"{name}1", a, b) / hours
            square = self.integral(f"{name}2", a, b) / hours
            return Moments(self.shifts[name] + mean, float(np.sqrt(max(0.0, square - mean * mean))))
        y = getattr(self, name)[a : b + 1]
        dt = np.where(self.is_gap[a:b], 0.0, np.diff(self.t[a : b + 1]))
        return moments(y, time_weights(dt))

    def half_spread(self, name: str, a: int, b: int) -> float:
        """Standard deviation of `v`, `i` or `p` by every second sample; NaN where the run was condensed."""
        if name in self.shifts:
            return float("nan")
        dt = np.where(self.is_gap[a:b], 0.0, np.diff(self.t[a : b + 1]))
        return half_spread(getattr(self, name)[a : b + 1], dt)

    def extremes(self, name: str, a: int, b: int) -> tuple[tuple[int, float], tuple[int, float]]:
        """Smallest and largest value of `v`, `i` or `p` over kept samples a to b, each with where it is."""
        low, high = self.bounds[name] if name in self.bounds else (getattr(self, name), getattr(self, name))
        k, m = a + int(np.argmin(low[a : b + 1])), a + int(np.argmax(high[a : b + 1]))
        return (k, float(low[k])), (m, float(high[m]))


@dataclass(frozen=True, slots=True)
class Signals:
    """All of a run, ready to be reduced."""

    samples: int
    first_s: float
    last_s: float
    step_s: float
    """Median interval; 0 where the run has one sample."""
    series: Mapping[str, SampleSeries]
    power: Electrical | None
    gaps: tuple[tuple[float, float], ...]
    """Spans without samples [s]."""
    warnings: tuple[str, ...] = ()
    events: tuple[Event, ...] = ()
    grain_s: float = 0.0


def median_step(t: Array) -> float:
    """Median interval between samples [s], 0 with fewer than two; steps of 0 don't count."""
    steps = np.diff(t)
    steps = steps[steps > 0.0]
    return median(steps) if len(steps) else 0.0


def find_gaps(t: Array, step_s: float, limits: ThresholdRange) -> Mask:
    """Which of n - 1 steps are gaps: longer than 5 median steps and longer than 1 s."""
    return np.asarray(np.diff(t) > max(limits["gap_steps"] * step_s, limits["gap_min_s"]))


def correct(columns: Mapping[str, Array], corrections: tuple[Correction, ...]) -> dict[str, Array]:
    """Channels with a calibration's corrections applied; the trace itself keeps the readings."""
    out = dict(columns)
    for item in corrections:
        if item.channel in out:
            out[item.channel] = item.gain * out[item.channel] + item.offset
    return out


def unwrap_counter(series: SampleSeries) -> tuple[SampleSeries, list[Event]]:
    """A meter's counter without its restarts: after a fall to under a tenth it goes on from where it was."""
    steps = np.diff(series.y)
    fell = np.flatnonzero((steps < 0) & (series.y[1:] < 0.1 * series.y[:-1]) & (series.y[:-1] > 0))
    if not len(fell):
        return series, []
    lift = np.zeros(len(series))
    for k in fell:
        lift[k + 1 :] += series.y[k]
    events = [
        Event(
            "counter restart", float(series.t[k]), float(series.t[k + 1]), float(series.y[k]), "", "counter fell to 0"
        )
        for k in fell
    ]
    return SampleSeries(series.t, series.y + lift), events


def fill_gaps(t: Array, is_gap: Mask, counter: SampleSeries | None, peak_rate: float) -> Array:
    """What a meter's counter gained across each gap.

    Args:
        t: n times [s].
        is_gap: n - 1 steps.
        counter: the counter, unwrapped, or None.
        peak_rate: largest power [W] or current [A]: a gain beyond 1.5 times it is a fault of the counter.

    Returns:
        n - 1 gains [Wh] or [Ah]; NaN where there is no gap or the counter does not tell.
    """
    filled = np.full(len(is_gap), np.nan)
    if counter is None or len(counter) < 2:
        return filled
    for k in np.flatnonzero(is_gap):
        before = int(np.searchsorted(counter.t, t[k], side="right")) - 1
        after = int(np.searchsorted(counter.t, t[k + 1], side="left"))
        if before < 0 or after >= len(counter) or counter.t[before] != t[k] or counter.t[after] != t[k + 1]:
            continue
        gain = float(counter.y[after] - counter.y[before])
        if 0.0 <= gain <= 1.5 * peak_rate * (t[k + 1] - t[k]) / HOUR_S:
            filled[k] = gain
    return filled


def zero_current(i: Array, offset_limit_a: float | None, limits: ThresholdRange) -> float:
    """Current under which a reading may be the meter's offset [A]."""
    if offset_limit_a is not None:
        return 2.0 * offset_limit_a
    if not len(i):
        return limits["zero_current_a"]
    return max(limits["zero_current_a"], limits["zero_current_share"] * float(np.max(np.abs(i))))


def is_alternating(v: Array | None) -> bool:
    """Whether a voltage [V, effective] is the mains': there V x I is apparent power, and the logged power counts.

    USB ends at 48 V, mains begin at 100 V; between them is no supply of either.
    """
    return v is not None and bool(np.isfinite(v).any()) and float(np.nanmedian(np.abs(v))) > 80.0


def build_electrical(
    columns: Mapping[str, Array],
    counters: Mapping[str, SampleSeries],
    offset_limit_a: float | None,
    limits: ThresholdRange,
) -> Electrical | None:
    """The electrical track of a run held in memory, or None where it logged no power at all.

    Args:
        columns: `t_s` and channels, n values each, NaN where absent.
        counters: the meter's own counters, unwrapped.
        offset_limit_a: limit of the meter's current offset [A], None where unknown.
        limits: constants in force.
    """
    t = columns["t_s"]
    v, i, logged = (columns.get(n) for n in ("voltage_v", "current_a", "power_w"))
    product = v * i if v is not None and i is not None else None
    use_product = product is not None and bool(np.isfinite(product).sum() >= 2)
    if use_product and logged is not None and is_alternating(v):
        use_product = False
    p = product if use_product else logged
    if p is None:
        return None
    valid = np.isfinite(p)
    kept = int(valid.sum())
    if kept < 1:
        return None
    left_out = len(t) - kept
    if left_out:
        t, p = t[valid], p[valid]
    volts = v[valid] if use_product and v is not None and left_out else v if use_product else None
    amps = i[valid] if use_product and i is not None and left_out else i if use_product else None
    is_gap = find_gaps(t, median_step(t), limits)
    peak = float(np.max(p))
    filled_wh = fill_gaps(t, is_gap, counters.get("energy_wh"), peak)
    peak_a = float(np.max(amps)) if amps is not None else 0.0
    filled_ah = fill_gaps(t, is_gap, counters.get("charge_ah"), peak_a)
    zero_a = max(zero_current(amps, offset_limit_a, limits), 5.0 * noise(amps)) if amps is not None else 0.0
    total = _totals((t, p, volts, amps), is_gap, zero_a, (filled_wh, filled_ah))
    return Electrical(
        t=t,
        p=p,
        v=volts,
        i=amps,
        is_gap=is_gap,
        total=total,
        source=Power.PRODUCT if use_product else Power.LOGGED,
        p3=median_of_three(p),
        left_out=left_out,
        shifts={},
        bounds={},
        used=kept,
        filled_wh=filled_wh,
        filled_ah=filled_ah,
        zero_a=zero_a,
    )


def steps_of(
    t: Array, dt_s: Array, is_gap: Mask, p: Array, *, v: Array | None, i: Array | None, is_both_ways: bool
) -> dict[str, Array]:
    """What each step adds to every running integral, in hours' units; 0 across gaps.

    Args:
        t: n times [s].
        dt_s: n - 1 steps [s].
        is_gap: n - 1 steps.
        p: n powers [W].
        v: n voltages [V] or None where only power was logged.
        i: n currents [A] or None likewise.
        is_both_ways: whether to split by direction.
    """
    hours, t_h = dt_s / HOUR_S, t / HOUR_S
    if is_gap.any():
        hours[is_gap] = 0.0
    steps = {"hours": hours}
    if v is None or i is None:
        steps["energy"] = trapezoid_steps(hours, p)
        steps["energy_half"] = every_second(steps["energy"], t_h, is_gap | is_jump(p), p, None)
        return steps
    jump = is_jump(p)
    steps["energy"] = np.where(jump, trapezoid_steps(hours, p), bilinear_steps(hours, v, i))
    steps["charge"] = trapezoid_steps(hours, i)
    steps["volt_hours"] = trapezoid_steps(hours, v)
    steps["energy_half"] = every_second(steps["energy"], t_h, is_gap | jump, v, i)
    steps["charge_half"] = every_second(steps["charge"], t_h, is_gap | jump, i, None)
    if is_both_ways:
        along, against = split_energy_steps(hours, v, i)
        steps["energy_along"] = np.where(jump, np.maximum(steps["energy"], 0.0), along)
        steps["energy_against"] = np.where(jump, np.minimum(steps["energy"], 0.0), against)
        steps["charge_along"], steps["charge_against"] = split_charge_steps(hours, i)
    return steps


def _totals(
    power: tuple[Array, Array, Array | None, Array | None], is_gap: Mask, zero_a: float, filled: tuple[Array, Array]
) -> dict[str, Array]:
    """Running integrals at every sample, with what the meter's counters gave across gaps."""
    t, p, v, i = power
    against = i is not None and flows_against(i, zero_a)
    steps = steps_of(t, np.diff(t), is_gap, p, v=v, i=i, is_both_ways=against)
    if not against:
        for name, gained in zip(("energy", "charge"), filled, strict=True):
            if name in steps and is_gap.any():
                steps[name] = np.where(np.isfinite(gained), gained, steps[name])
    return {name: cumulative(part) for name, part in steps.items()}


def flows_against(i: Array, zero_a: float) -> bool:
    """Whether current flowed against the run's direction: three-sample medians under -zero, twice in a row."""
    if float(np.min(i)) >= -zero_a:
        return False
    below = median_of_three(i) < -zero_a
    return bool((below[1:] & below[:-1]).any())


def build_signals(
    columns: Mapping[str, Array],
    samples: int,
    limits: ThresholdRange,
    *,
    corrections: tuple[Correction, ...] = (),
    offset_limit_a: float | None = None,
) -> Signals:
    """Everything that reducers need, from a run held in memory.

    Args:
        columns: `t_s` [s] and channels in SI units, `samples` values each, NaN where absent.
        samples: number of samples.
        limits: constants in force.
        corrections: a calibration's corrections, applied first.
        offset_limit_a: limit of the meter's current offset [A], None where unknown.
    """
    columns, warnings = _in_order(columns)
    columns = correct(columns, corrections)
    t = columns["t_s"]
    events: list[Event] = []
    series: dict[str, SampleSeries] = {}
    for name, y in columns.items():
        if name == "t_s":
            continue
        valid = np.isfinite(y)
        if valid.all():
            series[name] = SampleSeries(t, y)
        elif valid.any():
            series[name] = SampleSeries(t[valid], y[valid])
    for name in COUNTERS:
        if name in series:
            series[name], restarts = unwrap_counter(series[name])
            events.extend(restarts)
    power = build_electrical(columns, {n: series[n] for n in COUNTERS if n in series}, offset_limit_a, limits)
    step = median_step(t)
    where = np.flatnonzero(find_gaps(t, step, limits))
    gaps = tuple((float(t[k]), float(t[k + 1])) for k in where)
    first, last = (float(t[0]), float(t[-1])) if len(t) else (0.0, 0.0)
    return Signals(samples, first, last, step, series, power, gaps, tuple(warnings), tuple(events))


def _in_order(columns: Mapping[str, Array]) -> tuple[Mapping[str, Array], list[str]]:
    """Samples whose time is a number and does not run backwards, and a warning about others."""
    t = columns["t_s"]
    keep = np.isfinite(t)
    if keep.all() and (len(t) < 2 or bool((np.diff(t) >= 0).all())):
        return columns, []
    keep[keep] &= t[keep] >= np.maximum.accumulate(t[keep])
    lost = int((~keep).sum())
    sentence = f"{lost} samples left out: their time is missing or runs backwards"
    return {n: a[keep] for n, a in columns.items()}, [sentence]
