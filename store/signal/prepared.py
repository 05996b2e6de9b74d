"""A run with everything reducers share: signals, load window, constants, meter. Knows arrays and facts only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from store.model.results import Power, RunContext, Trace
from store.signal.condense import condense
from store.signal.signals import TEMPERATURES, Signals, build_signals, find_gaps, median_step
from store.signal.thresholds import ThresholdRange
from store.signal.window import LoadWindow, load_window
from store.uncertainty.accuracy import MeterModel, meter_model

__all__ = ["Prepared", "prepare"]

WANTED = (
    "voltage_v",
    "current_a",
    "power_w",
    "charge_ah",
    "energy_wh",
    *TEMPERATURES,
)


@dataclass(frozen=True, slots=True)
class Prepared:
    """What a reducer gets."""

    context: RunContext
    trace: Trace
    signals: Signals
    window: LoadWindow | None
    limits: ThresholdRange
    meter: MeterModel

    @property
    def power_source(self) -> Power | None:
        """What power is made from; None where there is none."""
        return self.signals.power.source if self.signals.power is not None else None

    @property
    def no_load(self) -> str:
        """Why there is no load window."""
        if self.signals.power is None:
            return "the log has no power: voltage and current, or power, are needed"
        return "power never rose above zero in the run's direction"

    @property
    def no_energy_accuracy(self) -> str:
        """Why an energy's uncertainty is unknown; empty where it can be had."""
        power = self.signals.power
        if power is not None and power.v is None:
            return self.meter.unknown("power")
        return self.meter.unknown("voltage", "current")


def prepare(trace: Trace, context: RunContext) -> Prepared:
    """Read a trace once and make it ready.

    Args:
        trace: the run's samples.
        context: facts, among them the meter's accuracy and a library's own constants.
    """
    limits = ThresholdRange(context.thresholds)
    if _logs_on_change(trace, limits):
        limits = ThresholdRange({**context.thresholds, "gap_steps": NO_GAPS})
    meter = meter_model(context.meter)
    offset = meter.current.fixed if meter.current is not None else None
    signals = _signals(trace, context, limits, offset)
    window = load_window(signals.power, limits) if signals.power is not None else None
    return Prepared(context, trace, signals, window, limits, meter)


NO_GAPS = 1e9
"""Steps that a gap would have to span where a meter logs on change and its values stood still over every long step."""


def _logs_on_change(trace: Trace, limits: ThresholdRange) -> bool:
    """Whether a meter writes a row when a value changes: its long steps are no gaps, for the values stood still.

    Told by steps of all lengths, by rows that hardly ever repeat each other, and by power that hardly differs across
    every step that would count as a gap.
    """
    logged = trace.channels
    names = tuple(n for n in ("voltage_v", "current_a", "power_w") if n in logged)
    first = next(iter(trace.chunks(names)), None)
    if first is None or len(first["t_s"]) < max(trace.samples, ON_CHANGE_ROWS) or not names:
        return False
    t = first["t_s"]
    steps = np.diff(t)
    usual = median_step(t)
    if usual <= 0.0 or float(np.mean(np.abs(steps - usual) <= 0.2 * usual)) >= 0.6:
        return False
    values = [first[n] for n in names]
    repeats = np.logical_and.reduce([y[1:] == y[:-1] for y in values])
    if float(repeats.mean()) >= 0.02:
        return False
    long = find_gaps(t, usual, limits)
    size = values[-1] if len(values) != 2 else values[0] * values[1]
    moved = np.abs(np.diff(size))[long]
    return bool(long.any()) and bool((moved <= STILL_SHARE * float(np.nanmax(np.abs(size)))).all())


ON_CHANGE_ROWS = 20
STILL_SHARE = 0.02
"""A value that moved by a fiftieth of the largest stood still: meters that log on change have finer digits."""


def _signals(trace: Trace, context: RunContext, limits: ThresholdRange, offset: float | None) -> Signals:
    logged = trace.channels
    names = tuple(n for n in WANTED if n in logged)
    pieces = iter(trace.chunks(names))
    first = next(pieces, None)
    if first is None or not len(first["t_s"]):
        return Signals(0, 0.0, 0.0, 0.0, {}, None, ())
    if len(first["t_s"]) >= trace.samples:
        columns = {n: first[n] for n in ("t_s", *names)}
        return build_signals(columns, trace.samples, limits, corrections=context.corrections, offset_limit_a=offset)
    return condense(first, pieces, trace.samples, limits, corrections=context.corrections, offset_limit_a=offset)
