"""Whether a port's voltage held when something was plugged or power was switched. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from store.methods.method import Found, Method, Reducer
from store.methods.sql_parts import TAKEN, Place, found_spans
from store.model.results import Account, Array, Event, Result
from store.model.spec import Better, ResultSpec, Shown
from store.signal.detectors import Dropout, dropouts, steady_levels
from store.signal.prepared import Prepared
from store.signal.statistics import median, noise, quantile
from store.uncertainty.budget import reading_budget
from store.uncertainty.sampling import clock_of, moment_part, one_sided
from store.words.facts import parse_mode

__all__ = ["METHODS", "REDUCERS", "SPECS", "ModeChange", "find_interruptions", "reduce", "reduce_events"]

DROPOUTS = Method(
    "dropouts",
    2,
    "spans under 80 % of nominal voltage, or of the steady voltage before where the mode names none, with a return; a "
    "single low sample counts where the current fell too",
)
MODES = Method("mode changes", 1, "a new steady voltage, over 5 % away from the last one, held for 2 s")
METHODS = (DROPOUTS, MODES)

LOWEST_USB_V = 5.0


@dataclass(frozen=True, slots=True)
class ModeChange:
    """A new steady voltage."""

    at: int
    from_v: float
    to_v: float


def find_interruptions(
    t: Array,
    v: Array,
    i: Array | None,
    *,
    dropout_share: float,
    change_share: float,
    hold_s: float,
    off_share: float = 0.5,
    nominal_v: float | None = None,
) -> tuple[list[Dropout], list[ModeChange]]:
    """Dropouts and mode changes of a voltage.

    Args:
        t: n times [s].
        v: n voltages [V].
        i: n currents [A] or None.
        dropout_share: 0.8 of nominal, or of the steady voltage that was left.
        change_share: 0.05.
        hold_s: how long a new voltage must hold [s].
        off_share: steady voltages under this share of 5 V are 'off', not a mode.
        nominal_v: voltage of the stated mode, where there is one.

    Returns:
        Dropouts, and changes between steady voltages.
    """
    if len(v) < 4:
        return [], []
    top = quantile(v, 0.95)
    if top <= 0.0:
        return [], []
    spread = noise(v)
    spans = steady_levels(t, v, max(0.5 * change_share * top, 5.0 * spread), hold_s)
    levels = [(a, b, median(v[a : b + 1])) for a, b in spans]
    levels = [lv for lv in levels if lv[2] >= off_share * LOWEST_USB_V]
    if not levels:
        return [], []
    about = _reference(len(v), levels, nominal_v, dropout_share)
    found = dropouts(t, v / about, i, dropout_share)
    begin, end = levels[0][0], levels[-1][1]
    drops = [Dropout(d.a, d.b, d.length_s, float(v[d.a : d.b + 1].min())) for d in found if d.a > begin and d.b < end]
    changes = [
        ModeChange(a1, v0, v1) for (_, _, v0), (a1, _, v1) in pairwise(levels) if abs(v1 - v0) > change_share * v0
    ]
    return drops, changes


def _reference(n: int, levels: list[tuple[int, int, float]], nominal_v: float | None, share: float) -> Array:
    """The voltage that each of n samples is held against.

    A lower steady voltage takes over only where the port never comes back to the old one: otherwise the
    whole stay there is an interruption of what was negotiated.
    """
    about = np.empty(n)
    values = [nominal_v if nominal_v and abs(v - nominal_v) <= 0.1 * nominal_v else v for _, _, v in levels]
    now, since = values[0], 0
    for k, (first, _, value) in enumerate(levels):
        if value < share * now and any(later[2] >= share * now for later in levels[k + 1 :]):
            continue
        about[since:first] = now if value >= share * now else min(now, value)
        now, since = values[k], first
    about[since:] = now
    return about


def _track(run: Prepared) -> tuple[Array, Array, Array | None] | None:
    power = run.signals.power
    if power is not None and power.v is not None:
        return power.t, power.v, power.i
    series = run.signals.series.get("voltage_v")
    return (series.t, series.y, None) if series is not None else None


def _events(t: Array, drops: list[Dropout], changes: list[ModeChange]) -> list[Event]:
    out = [
        Event("dropout", float(t[d.a]), float(t[d.b + 1]), d.lowest_v, "V", f"down to {d.lowest_v:.3g} V")
        for d in drops
    ]
    out.extend(
        Event("mode change", float(t[c.at]), float(t[c.at]), c.to_v, "V", f"from {c.from_v:.3g} V to {c.to_v:.3g} V")
        for c in changes
    )
    return out


def _find(run: Prepared, t: Array, v: Array, i: Array | None) -> tuple[list[Dropout], list[ModeChange]]:
    mode = parse_mode(run.context.mode)
    return find_interruptions(
        t,
        v,
        i,
        dropout_share=run.limits["dropout_share"],
        change_share=run.limits["mode_change_share"],
        hold_s=run.limits["mode_change_hold_s"],
        off_share=run.limits["off_share"],
        nominal_v=mode.nominal_v if mode is not None else None,
    )


def reduce_events(run: Prepared) -> Found:
    """Dropouts and mode changes inside the load window of other kinds of runs, as events."""
    track = _track(run)
    if track is None or run.window is None:
        return Found()
    t, v, i = track
    a, b = np.searchsorted(t, [run.window.from_s, run.window.to_s])
    part = slice(int(a), int(b) + 1)
    drops, changes = _find(run, t[part], v[part], i[part] if i is not None else None)
    return Found((), tuple(_events(t[part], drops, changes)))


def reduce(run: Prepared) -> Found:
    """Section 9 of the results."""
    names = (("dropouts", "1"), ("longest_dropout_s", "s"), ("lowest_voltage_v", "V"), ("mode_changes", "1"))
    track = _track(run)
    if track is None:
        return Found(tuple(DROPOUTS.absent(name, unit, "the log has no voltage") for name, unit in names))
    t, v, i = track
    drops, changes = _find(run, t, v, i)
    step = run.signals.step_s
    sentence = f"a dropout shorter than the sampling interval ({step:.3g} s) can't be seen"
    span = (float(t[0]), float(t[-1]))
    account = Account(told={"limit": f"{run.limits['dropout_share'] * 100:.0f} % of the steady voltage"})
    mode = parse_mode(run.context.mode)
    if mode is not None and mode.nominal_v is not None:
        account = account.plus(nominal_v=mode.nominal_v)
    spans = tuple((float(t[d.a]), float(t[d.b + 1])) for d in drops)
    moved = Account(spans=tuple((float(t[c.at]), c.from_v, c.to_v) for c in changes))
    results = [
        DROPOUTS.found(
            "dropouts",
            len(drops),
            "1",
            uncertainty=0.0,
            span=span,
            warnings=(sentence,),
            account=replace(account, spans=spans),
        ),
        _longest(run, t, drops, sentence, span),
        _lowest(run, t, v, drops, sentence),
        MODES.found(
            "mode_changes",
            len(changes),
            "1",
            uncertainty=0.0,
            span=span,
            account=moved,
        ),
    ]
    return Found(tuple(results), tuple(_events(t, drops, changes)))


def _longest(run: Prepared, t: Array, drops: list[Dropout], sentence: str, span: tuple[float, float]) -> Result:
    step = run.signals.step_s
    if not drops:
        return DROPOUTS.absent("longest_dropout_s", "s", f"no dropout seen; {sentence}")
    worst = max(drops, key=lambda d: d.length_s)
    return DROPOUTS.found(
        "longest_dropout_s",
        worst.length_s,
        "s",
        budget=(moment_part("down", step), moment_part("up again", step), clock_of(run.meter, worst.length_s)),
        span=(float(t[worst.a]), float(t[worst.b + 1])),
        warnings=(sentence,),
        account=Account(numbers={"dropouts": len(drops)}, told={"run": f"{span[0]:.0f} to {span[1]:.0f} s"}),
    )


def _lowest(run: Prepared, t: Array, v: Array, drops: list[Dropout], sentence: str) -> Result:
    """Lowest voltage in a dropout; without one, the lowest sample."""
    if drops:
        worst = min(drops, key=lambda d: d.lowest_v)
        value, span = worst.lowest_v, (float(t[worst.a]), float(t[worst.b + 1]))
    else:
        value, span = float(v.min()), (float(t[0]), float(t[-1]))
    part = v[(t >= span[0]) & (t <= span[1])]
    inner = part[1:-1] if len(part) > 4 else part
    reach = max(noise(inner), noise(v) * value / max(median(v), 1e-9)) * math.sqrt(2.0 * math.log(max(len(part), 2)))
    budget = reading_budget("V", run.meter.voltage, value, "V", run.meter.label)
    return DROPOUTS.found(
        "lowest_voltage_v",
        value,
        "V",
        budget=(*budget, one_sided("lowest of many", reach, "noise of the readings goes so far")) if budget else (),
        reason=run.meter.unknown("voltage"),
        span=span,
        warnings=(sentence,),
    )


def _redo_dropouts(place: Place) -> str:
    """The spans that were found, each with a voltage under the last one before it."""
    name = place.result.name
    begin = (
        f"{TAKEN}WITH samples AS (\n  SELECT t_s, {place.channel('voltage_v')} AS v FROM {place.source}\n"
        "    AND voltage_v IS NOT NULL\n)"
    )
    if name == "dropouts":
        return (
            f"{begin}, {found_spans(place.account.spans, ('from_s', 'to_s'))}\n"
            f"SELECT count(*) AS {name} FROM found\n"
            "WHERE (SELECT max(v) FROM samples WHERE t_s >= from_s AND t_s < to_s)\n"
            "  < (SELECT arg_max(v, t_s) FROM samples WHERE t_s < from_s)"
        )
    what = "max(t_s) - min(t_s)" if name == "longest_dropout_s" else "min(v)"
    return f"{begin}\nSELECT {what} AS {name} FROM samples WHERE {place.within()}"


def _redo_modes(place: Place) -> str:
    """The moments that were found, each with another voltage after it than before."""
    hold = place.constant("mode_change_hold_s")
    share = place.constant("mode_change_share")
    found = found_spans(place.account.spans, ("at_s", "old", "new"))
    return (
        f"{TAKEN}WITH samples AS (\n  SELECT t_s, {place.channel('voltage_v')} AS v FROM {place.source}\n"
        f"    AND voltage_v IS NOT NULL\n), {found}\n"
        f"SELECT count(*) AS {place.result.name} FROM found WHERE abs((SELECT median(v) FROM samples\n"
        f"  WHERE t_s >= at_s AND t_s <= at_s + {hold}) - old) > {share} * old"
    )


_RESTS = ("off_share", "dropout_share", "mode_change_share", "mode_change_hold_s")
_KIND = ("pass-through",)

DROPOUT_COUNT = ResultSpec(
    "dropouts",
    "dropouts",
    "1",
    shown=Shown.COUNT,
    kinds=_KIND,
    on_page={"pass-through": 10},
    rests_on=_RESTS,
    redo=_redo_dropouts,
)
LONGEST_DROPOUT_S = ResultSpec(
    "longest_dropout_s",
    "longest dropout",
    "s",
    shown=Shown.DURATION,
    kinds=_KIND,
    better=Better.SMALLER,
    on_page={"pass-through": 20},
    rests_on=_RESTS,
    redo=_redo_dropouts,
)
SPECS = (
    DROPOUT_COUNT,
    LONGEST_DROPOUT_S,
    ResultSpec(
        "lowest_voltage_v",
        "lowest voltage while plugged",
        "V",
        short="lowest voltage",
        kinds=_KIND,
        on_page={"pass-through": 30},
        rests_on=_RESTS,
        redo=_redo_dropouts,
    ),
    ResultSpec(
        "mode_changes",
        "mode changes",
        "1",
        shown=Shown.COUNT,
        rests_on=("off_share", "mode_change_share", "mode_change_hold_s"),
        redo=_redo_modes,
    ),
)
REDUCERS = (
    Reducer("interruptions", _KIND, reduce, METHODS),
    Reducer("interruption events", ("discharge", "recharge", "heat"), reduce_events, (), place=90),
)
