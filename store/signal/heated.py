"""The temperature of a run under load: which probe, from when to when, how fine its steps are. Knows arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from store.model.results import Account, Array, Contribution
from store.signal.batches import residual_time
from store.signal.detectors import last_in_band
from store.signal.prepared import Prepared
from store.signal.signals import SampleSeries, means_of
from store.signal.statistics import median, median_of_three, noise, runs_of

__all__ = ["PROBES", "Heated", "heated_of", "line_fit", "probe_of", "resolution_part", "step_of"]

PROBES = ("temperature_c", "temperature_cell_c", "temperature_2_c", "temperature_plug_c")


@dataclass(frozen=True, slots=True)
class Heated:
    """The temperature of a run under load."""

    channel: str
    whole: SampleSeries
    loaded: SampleSeries
    """From load applied to the load's end."""
    steady_load: SampleSeries
    """From load applied while the load held its level: what a fit may use."""
    begins_s: float
    """When the load was applied; the log's start where it has no power to tell."""
    begin_u: float = 0.0
    """Standard uncertainty of that [s]."""
    note: str = ""
    """How the end of heating was told, where the log has no power to tell it."""

    @property
    def account(self) -> Account:
        """What every result of heat rests on."""
        return Account(probe=self.channel, told={"heating_ends": self.note} if self.note else {})

    @property
    def hottest(self) -> float:
        """Largest median of three of the whole log [degC]."""
        return float(np.max(median_of_three(self.whole.y)))


def probe_of(run: Prepared) -> str | None:
    """The probe that speaks for the device: on the case before the cell, another place or the plug."""
    return next((c for c in PROBES if c in run.signals.series), None)


def heated_of(run: Prepared, channel: str) -> Heated:
    """A probe's readings over the whole log, under load, and while the load held its level."""
    whole = run.signals.series[channel]
    curve = run.signals.series.get(means_of(channel), whole)  # extremes stand for a block badly, its mean well
    window, power = run.window, run.signals.power
    if window is None or power is None:
        heating, note = _until_hottest(run, curve)
        return Heated(channel, whole, heating, heating, float(whole.t[0]), note=note)
    loaded = curve.between(window.from_s, window.to_s)
    if not len(loaded):
        return Heated(channel, whole, curve, curve, float(whole.t[0]))
    part = power.p3[window.a : window.b + 1]
    t = power.t[window.a : window.b + 1]
    off = np.abs(part - window.plateau_w) > 0.15 * window.plateau_w
    long_off = [a for a, b in runs_of(off) if t[b] - t[a] > run.limits["pause_min_s"] and t[a] > t[0]]
    until = float(t[long_off[0]]) if long_off else window.to_s
    if not long_off and (last := last_in_band(part, window.plateau_w, 0.15)) is not None:
        until = float(t[last])
    begin = window.edges(power)[0]
    return Heated(channel, whole, loaded, curve.between(window.from_s, until), begin.at_s, begin_u=begin.u_s)


def _until_hottest(run: Prepared, whole: SampleSeries) -> tuple[SampleSeries, str]:
    """A log of temperature alone up to where it was last at its hottest, where it cools down by over 3 K after that."""
    steady = median_of_three(whole.y)
    top, end = float(steady.max()), median(steady[-3:])
    if top - end <= run.limits["steady_k"]:
        return whole, ""
    close = max(step_of(whole.y), 4.0 * noise(whole.y))
    last = int(np.flatnonzero(steady >= top - close)[-1])
    told = (
        f"at {float(whole.t[last]):.0f} s, hottest: the log has no power to tell the load's end, and cools after that"
    )
    return SampleSeries(whole.t[: last + 1], whole.y[: last + 1]), told


def step_of(y: Array) -> float:
    """Smallest step of a thermometer's readings [K]; 0 where it never moved."""
    steps = np.abs(np.diff(y))
    steps = steps[steps > 1e-6]
    return float(steps.min()) if len(steps) else 0.0


def resolution_part(y: Array) -> Contribution:
    """What the thermometer's steps add to a difference of two readings: d / sqrt 12 each (GUM F.2.2.1)."""
    size = step_of(y)
    return Contribution(
        "resolution of T", size / np.sqrt(6.0), "B", "rectangular", f"steps of {size:.3g} K, two readings"
    )


def line_fit(x: Array, y: Array) -> tuple[float, float, float, float]:
    """Least squares line: slope, its standard error widened for correlated residuals, intercept, dof.

    Args:
        x: n values, n >= 3, not all alike.
        y: n values.
    """
    mx, my = float(x.mean()), float(y.mean())
    sxx = float((x - mx) @ (x - mx))
    slope = float((x - mx) @ (y - my)) / sxx
    rest = y - my - slope * (x - mx)
    together = residual_time(rest, 2)
    left = max(len(x) / together - 2.0, 1.0)
    se = float(np.sqrt(float(rest @ rest) / left / sxx))
    return slope, se, my - slope * mx, left
