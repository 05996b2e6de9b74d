"""Which kinds of runs get which results. To add one: a file with `METHODS` and `reduce`, and a line in REDUCERS.

Knows NumPy and the reducers only.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from store.methods import (
    adapter,
    cable,
    discharge,
    display,
    energy,
    heat,
    interruptions,
    light_load,
    overload,
    recharge,
    regulation,
    summary,
)
from store.methods.method import Found, Method
from store.methods.redo_base import constant_input, correction_inputs
from store.model.results import Event, Reduction, Result, RunContext, Trace
from store.signal.prepared import Prepared, prepare
from store.signal.thresholds import THRESHOLDS

__all__ = ["METHODS", "REDUCERS", "Reducer", "reduce_run"]

EVERY = ("*",)


@dataclass(frozen=True, slots=True)
class Reducer:
    """One family of results and the kinds of runs that get it; `*` is every run, stated kind or not."""

    name: str
    kinds: tuple[str, ...]
    reduce: Callable[[Prepared], Found]
    methods: tuple[Method, ...]

    def fits(self, kind: str | None) -> bool:
        """Whether runs of this kind get these results."""
        return self.kinds == EVERY or kind in self.kinds


REDUCERS: tuple[Reducer, ...] = (
    Reducer("summary", EVERY, summary.reduce, summary.METHODS),
    Reducer("energy", EVERY, energy.reduce, energy.METHODS),
    Reducer("discharge", ("discharge",), discharge.reduce, discharge.METHODS),
    Reducer("recharge", ("recharge",), recharge.reduce, recharge.METHODS),
    Reducer("heat", EVERY, heat.reduce, heat.METHODS),
    Reducer("regulation", ("regulation",), regulation.reduce, regulation.METHODS),
    Reducer("overload", ("overload",), overload.reduce, overload.METHODS),
    Reducer("light load", ("light-load",), light_load.reduce, light_load.METHODS),
    Reducer("interruptions", ("pass-through",), interruptions.reduce, interruptions.METHODS),
    Reducer("no load", ("standby",), adapter.reduce, adapter.METHODS),
    Reducer("cable", ("cable",), cable.reduce, cable.METHODS),
    Reducer("display", ("display",), display.reduce, display.METHODS),
    Reducer("interruption events", ("discharge", "recharge", "heat"), interruptions.reduce_events, ()),
)

METHODS: Mapping[str, Method] = MappingProxyType({m.name: m for reducer in REDUCERS for m in reducer.methods})
"""Every method by name: `recompute` holds stored versions against these."""


OF_HEAT: frozenset[str] = frozenset(m.name for m in (summary.TEMPERATURE, *heat.METHODS))


def reduce_run(trace: Trace, context: RunContext, imported_events: Sequence[Event] = ()) -> Reduction:
    """All results and events of one run. Pure: the same trace and facts give the same numbers.

    Args:
        trace: the run's samples: `t_s` [s] and channels in SI units, NaN where absent.
        context: kind, direction, mode, set load, ambient, rated values, the meter's accuracy.
        imported_events: what the importer settled (gap, clock reset, counter restart ...); kept as they are.

    Returns:
        One Result per name (absent ones with value None and the reason) and events in order of time.
    """
    run = prepare(trace, context)
    results: dict[str, Result] = {}
    changed = run.limits.changed()
    events: list[Event] = [*imported_events, *run.signals.events, *_gap_events(run, imported_events)]
    for reducer in REDUCERS:
        if reducer.fits(context.kind):
            found = reducer.reduce(run)
            results.update((r.name, _with_shared(run, r, changed)) for r in found.results)
            events.extend(found.events)
    return Reduction(tuple(results.values()), tuple(sorted(set(events), key=lambda e: (e.from_s, e.to_s, e.kind))))


def _with_shared(run: Prepared, result: Result, changed: Sequence[str]) -> Result:
    """The result with what it rests on beside its own inputs: samples, corrections applied, constants changed."""
    shared: dict[str, float | str] = {
        constant_input(name): run.limits[name]
        for name in changed
        if not (decides := THRESHOLDS[name].decides) or result.method in decides or result.name in decides
    }
    shared["samples in the log"] = run.signals.samples
    if run.signals.power is not None and result.method not in OF_HEAT:
        shared["samples without power"] = run.signals.power.left_out
    for item in run.context.corrections:
        if item.channel in run.trace.channels and _rests_on(result, item.channel):
            gain, offset = correction_inputs(item.channel)
            shared |= {gain: item.gain, offset: item.offset}
            if item.source:
                shared[f"correction of {item.channel}"] = item.source
    return replace(result, inputs={**result.inputs, **shared})


def _rests_on(result: Result, channel: str) -> bool:
    """Whether a correction of this channel is in a result."""
    is_heat = result.method in OF_HEAT
    if not channel.startswith("temperature_"):
        return not is_heat
    if not is_heat:
        return False
    if result.method == summary.TEMPERATURE.name:
        return result.name.rsplit("_", 2)[0] == channel.removesuffix("_c")
    ambient = channel == "temperature_ambient_c" and result.inputs.get("over") == "logged ambient"
    return ambient or result.inputs.get("probe") == channel


def _gap_events(run: Prepared, imported: Sequence[Event]) -> list[Event]:
    """Gaps as events, but for those that the importer named already."""
    known = [(e.from_s, e.to_s) for e in imported if e.kind == "gap"]
    step = run.signals.step_s
    return [
        Event("gap", a, b, b - a, "s", "no samples")
        for a, b in run.signals.gaps
        if not any(abs(a - x) <= step and abs(b - y) <= step for x, y in known)
    ]
