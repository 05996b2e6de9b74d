"""A run with everything reducers share: signals, load window, constants, meter. Knows arrays and facts only."""

from __future__ import annotations

from dataclasses import dataclass

from store.model.results import Power, RunContext, Trace
from store.signal.condense import condense
from store.signal.signals import TEMPERATURES, Signals, build_signals
from store.signal.thresholds import Limits
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
    limits: Limits
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
    limits = Limits(context.thresholds)
    meter = meter_model(context.meter)
    offset = meter.current.fixed if meter.current is not None else None
    signals = _signals(trace, context, limits, offset)
    window = load_window(signals.power, limits) if signals.power is not None else None
    return Prepared(context, trace, signals, window, limits, meter)


def _signals(trace: Trace, context: RunContext, limits: Limits, offset: float | None) -> Signals:
    names = tuple(n for n in WANTED if n in trace.channels)
    pieces = iter(trace.chunks(names))
    first = next(pieces, None)
    if first is None or not len(first["t_s"]):
        return Signals(0, 0.0, 0.0, 0.0, {}, None, ())
    if len(first["t_s"]) >= trace.samples:
        columns = {n: first[n] for n in ("t_s", *names)}
        return build_signals(columns, trace.samples, limits, corrections=context.corrections, offset_limit_a=offset)
    return condense(first, pieces, trace.samples, limits, corrections=context.corrections, offset_limit_a=offset)
