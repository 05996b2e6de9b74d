"""Which kinds of runs get which results, found by listing the folder. A new kind of test is one file beside this one.

Knows NumPy and the reducers only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from store.methods import heat
from store.methods.method import Method, Reducer
from store.methods.specs import modules, spec_of
from store.methods.temperatures import TEMPERATURE
from store.methods.why import redo_sql
from store.model.altered import altered
from store.model.results import Ambient, Event, Reduction, Result, RunContext, Trace
from store.signal.prepared import Prepared, prepare
from store.signal.thresholds import THRESHOLDS

__all__ = ["METHODS", "REDUCERS", "Reducer", "redo_of_today", "reduce_run"]

REDUCERS: tuple[Reducer, ...] = tuple(
    sorted((r for module in modules() for r in getattr(module, "REDUCERS", ())), key=lambda r: (r.place, r.name))
)
"""Every reducer of the folder, in the order in which they run."""

METHODS: Mapping[str, Method] = MappingProxyType({m.name: m for reducer in REDUCERS for m in reducer.methods})
"""Every method by name: `recompute` holds stored versions against these."""

OF_HEAT: frozenset[str] = frozenset(m.name for m in (TEMPERATURE, *heat.METHODS))


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
    """The result with its inputs beside its own: samples, corrections applied, constants changed."""
    numbers = {**result.account.numbers, "samples_logged": run.signals.samples}
    if run.signals.power is not None and result.method not in OF_HEAT:
        numbers["samples_without_power"] = run.signals.power.left_out
    constants: dict[str, float] = {}
    if changed:
        spec = spec_of(result.name)
        constants = {
            name: run.limits[name]
            for name in changed
            if THRESHOLDS[name].is_everywhere or (spec is not None and name in spec.rests_on)
        }
    corrections = tuple(
        item
        for item in run.context.corrections
        if item.channel in run.trace.channels and _rests_on(result, item.channel)
    )
    account = altered(result.account, numbers=numbers, constants=constants, corrections=corrections)
    return altered(result, account=account)


def _rests_on(result: Result, channel: str) -> bool:
    """Whether a correction of this channel is in a result."""
    is_heat = result.method in OF_HEAT
    if not channel.startswith("temperature_"):
        return not is_heat
    if not is_heat:
        return False
    if result.method == TEMPERATURE.name:
        return result.name.rsplit("_", 2)[0] == channel.removesuffix("_c")
    is_ambient = channel == "temperature_ambient_c" and result.account.ambient is Ambient.LOGGED
    return is_ambient or result.account.probe == channel


def _gap_events(run: Prepared, imported: Sequence[Event]) -> list[Event]:
    """Gaps as events, but for those that the importer named already."""
    known = [(e.from_s, e.to_s) for e in imported if e.kind == "gap"]
    step = run.signals.step_s
    return [
        Event("gap", a, b, b - a, "s", "no samples")
        for a, b in run.signals.gaps
        if not any(abs(a - x) <= step and abs(b - y) <= step for x, y in known)
    ]


def redo_of_today(result: Result, run_id: int, file: str) -> str:
    """SQL that gets a result again; the samples alone where an earlier version of its method made it.

    Args:
        result: The result with its account.
        run_id: Its run.
        file: The trace file's path.
    """
    method = METHODS.get(result.method)
    is_todays = method is not None and method.version == result.method_version
    return redo_sql(result if is_todays else replace(result, value=None), run_id, file)
