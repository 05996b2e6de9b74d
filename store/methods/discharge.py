"""What a discharge delivered, how long it held, and why it ended. Knows arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from store.methods.energy import (
    ENERGY,
    Integral,
    integral_result,
    integrate,
    redo_charge,
    redo_energy,
    redo_scaled_energy,
)
from store.methods.method import Bound, Found, Method, Reducer
from store.methods.sql_parts import Place, between, plateau
from store.model.results import Account, Array, Event, Flag, Mask, Result
from store.model.spec import Better, ResultSpec, Shown
from store.signal.detectors import EndOfLoad, LoadEnd, cutbacks, end_of_load, held_stretch, in_band, smoothed
from store.signal.prepared import Prepared
from store.signal.signals import Electrical
from store.signal.window import LoadWindow
from store.uncertainty.budget import scaled, time_budget
from store.words.facts import parse_load

__all__ = ["METHODS", "REDUCERS", "SPECS", "held_quantity", "reduce"]

RUNTIME = Method("runtime", 1, "length of the load window: first to last sample at a tenth of the plateau or more")
HELD = Method(
    "held",
    2,
    "longest unbroken time within 5 % of the set load, or of the plateau where none is stated; a lower bound where a "
    "gap in the log ends it",
)
CUTBACK = Method(
    "cutback", 1, "when power first left the 5 % band downwards for over 10 s other than at the end, from load applied"
)
END = Method(
    "end", 1, "cut-off: from the last level to under 2 % of the plateau within 10 s; else fading; or the log stopped"
)
SHARE = Method("usable share", 1, "energy delivered / rated energy")
CELL_CHARGE = Method("cell equivalent", 1, "1000 x energy delivered / nominal cell voltage")
METHODS = (RUNTIME, HELD, CUTBACK, END, SHARE, CELL_CHARGE)

NAMES = (
    ("energy_out_wh", "Wh"),
    ("charge_out_ah", "Ah"),
    ("runtime_s", "s"),
    ("held_s", "s"),
    ("first_cutback_s", "s"),
    ("energy_to_cutback_wh", "Wh"),
    ("end", ""),
    ("yield", "1"),
    ("cell_equivalent_mah", "mAh"),
)


@dataclass(frozen=True, slots=True)
class HeldLoad:
    """What the load holds over the window: times, smoothed values, level, and where the level is from."""

    t: Array
    quiet: Array
    level: float
    called: str


def held_quantity(run: Prepared, power: Electrical, window: LoadWindow) -> tuple[Array, float, str]:
    """What the load holds over the window, its level, and how that is called: power, current or resistance."""
    part = slice(window.a, window.b + 1)
    load = parse_load(run.context.load_set)
    if load is not None and load.unit == "A" and power.i is not None:
        return power.i[part], load.value, f"set load {load.text}"
    if load is not None and load.unit == "Ω" and power.i is not None and power.v is not None:
        amps = power.i[part]
        conductance = np.divide(amps, power.v[part], out=np.zeros_like(amps), where=power.v[part] > 0.0)
        return conductance, 1.0 / load.value, f"set load {load.text}"
    if load is not None and load.unit == "W":
        return power.p[part], load.value, f"set load {load.text}"
    return power.p[part], window.plateau_w, "plateau, no set load stated"


def reduce(run: Prepared) -> Found:
    """Section 3 of the results."""
    power, window = run.signals.power, run.window
    if power is None or window is None:
        return Found(tuple(ENERGY.absent(name, unit, run.no_load) for name, unit in NAMES))
    y, level, called = held_quantity(run, power, window)
    t = power.t[window.a : window.b + 1]
    quiet = smoothed(y, t, level, run.limits["held_band"])
    load = HeldLoad(t, quiet, level, called)
    backs, fading = cutbacks(
        t,
        quiet,
        level,
        run.limits["held_band"],
        min_s=run.limits["cutback_min_s"],
        rise_share=run.limits["cutback_rise_share"],
        cutoff_share=run.limits["cutoff_share"],
    )
    end = end_of_load(
        power.t,
        power.p3,
        window.b,
        window.plateau_w,
        off_share=run.limits["cutoff_share"],
        within_s=run.limits["cutoff_within_s"],
        is_fading=fading is not None,
    )
    energy = integrate(run, "energy", window.a, window.b, "along")
    bound = _bounds(window, end)
    results = [
        integral_result("energy_out_wh", energy, warnings=bound.notes, flags=bound.flags),
        _charge(run, power, window, bound),
        _runtime(run, window, bound),
        _held(run, load, power.is_gap[window.a : window.b]),
        *_first_cutback(run, window, load, backs),
        _end(window, power, end),
        *_shares(run, energy, bound),
    ]
    return Found(tuple(results), (*_events(power, window, end, backs), *_load_applied(power, window)))


def _bounds(window: LoadWindow, end: EndOfLoad) -> Bound:
    notes, flags = [], set()
    if end.word is LoadEnd.LOG_STOPPED:
        notes.append("a lower bound: the log stops under load (a meter fed by the port stops with it)")
        flags |= {Flag.AT_LEAST, Flag.LOG_STOPPED}
    if window.starts_late:
        notes.append("the log starts under load: what came before it is not counted")
        flags.add(Flag.STARTS_LATE)
    return Bound(tuple(notes), frozenset(flags))


def _charge(run: Prepared, power: Electrical, window: LoadWindow, bound: Bound) -> Result:
    if power.i is None:
        return ENERGY.absent("charge_out_ah", "Ah", "the log has no current")
    charge = integrate(run, "charge", window.a, window.b, "along")
    return integral_result("charge_out_ah", charge, warnings=bound.notes, flags=bound.flags)


def _runtime(run: Prepared, window: LoadWindow, bound: Bound) -> Result:
    return RUNTIME.found(
        "runtime_s",
        window.to_s - window.from_s,
        "s",
        budget=time_budget(run.signals.step_s, 2),
        span=window.span,
        warnings=(*window.warnings, *bound.notes),
        account=Account(
            power=run.power_source,
            numbers={
                "plateau_w": window.plateau_w,
                "threshold_w": run.limits["window_share"] * window.plateau_w,
            },
        ),
        flags=bound.flags,
    )


def _held(run: Prepared, load: HeldLoad, is_gap: Mask) -> Result:
    t, quiet, level, called = load.t, load.quiet, load.level, load.called
    band = run.limits["held_band"]
    stretch = held_stretch(t, quiet, level, band, break_s=run.limits["held_break_s"], is_gap=is_gap)
    account = Account(power=run.power_source, numbers={"level": level, "band": band}, told={"level_from": called})
    if stretch is None:
        middle = float(np.median(quiet))
        reason = (
            f"never within {band * 100:.0f} % of the {called}: {level:.4g} was asked for, {middle:.4g} is the median"
        )
        return HELD.absent("held_s", "s", reason, account=account)
    a, b = stretch
    cut = _cut_by_gap(load, is_gap, a, b, band)
    return HELD.found(
        "held_s",
        float(t[b] - t[a]),
        "s",
        budget=time_budget(run.signals.step_s, 2),
        span=(float(t[a]), float(t[b])),
        account=account,
        warnings=cut.notes,
        flags=cut.flags,
    )


def _cut_by_gap(load: HeldLoad, is_gap: Mask, first: int, last: int, band: float) -> Bound:
    """Said where the load was held on the other side of a gap as well: nothing shows that it was not held within."""
    t, inside = load.t, in_band(load.quiet, load.level, band)
    beside = [k for k in (first - 1, last) if 0 <= k < len(is_gap) and is_gap[k] and inside[k] and inside[k + 1]]
    if not beside:
        return Bound()
    longest = max(float(t[k + 1] - t[k]) for k in beside)
    note = f"a lower bound: a gap of {longest:.0f} s in the log ends it, and the load was held on its other side"
    return Bound((note,), frozenset({Flag.AT_LEAST, Flag.GAP_OPEN}))


def _first_cutback(run: Prepared, window: LoadWindow, load: HeldLoad, backs: list[tuple[int, int]]) -> list[Result]:
    t, level, called = load.t, load.level, load.called
    if not backs:
        reason = (
            f"power never left the band of the {called} for over {run.limits['cutback_min_s']:.0f} s before the end"
        )
        return [CUTBACK.absent("first_cutback_s", "s", reason), CUTBACK.absent("energy_to_cutback_wh", "Wh", reason)]
    at = backs[0][0]
    when = float(t[at])
    energy = integrate(run, "energy", window.a, window.a + at, "along")
    return [
        CUTBACK.found(
            "first_cutback_s",
            when - window.from_s,
            "s",
            budget=time_budget(run.signals.step_s, 2),
            span=(window.from_s, when),
            account=Account(
                power=run.power_source, numbers={"level": level, "cutbacks": len(backs)}, told={"level_from": called}
            ),
        ),
        integral_result("energy_to_cutback_wh", energy),
    ]


def _end(window: LoadWindow, power: Electrical, end: EndOfLoad) -> Result:
    last = float(power.p3[window.b])
    account = Account(numbers={"last_power_w": last})
    if np.isfinite(end.fall_s):
        account = account.plus(fall_s=end.fall_s)
    flags = (Flag.LOG_STOPPED,) if end.word is LoadEnd.LOG_STOPPED else ()
    return END.words("end", end.word, span=(window.to_s, float(power.t[end.at])), account=account, flags=flags)


def _shares(run: Prepared, energy: Integral, bound: Bound) -> list[Result]:
    out = []
    rated, cell = run.context.rated_energy_wh, run.context.cell_voltage_v
    if rated:
        out.append(
            SHARE.found(
                "yield",
                energy.value / rated,
                "1",
                budget=scaled(energy.budget, 1.0 / rated),
                reason=energy.reason,
                span=energy.span,
                account=energy.account.plus(energy_out_wh=energy.value, rated_energy_wh=rated),
                warnings=(*energy.warnings, *bound.notes),
                flags=energy.flags | bound.flags,
            )
        )
    else:
        out.append(SHARE.absent("yield", "1", "the device's rated energy is not stated"))
    if cell:
        out.append(
            CELL_CHARGE.found(
                "cell_equivalent_mah",
                1000.0 * energy.value / cell,
                "mAh",
                budget=scaled(energy.budget, 1000.0 / cell),
                reason=energy.reason,
                span=energy.span,
                account=energy.account.plus(energy_out_wh=energy.value, cell_voltage_v=cell),
                warnings=(*energy.warnings, *bound.notes),
                flags=energy.flags | bound.flags,
            )
        )
    else:
        out.append(CELL_CHARGE.absent("cell_equivalent_mah", "mAh", "the device's nominal cell voltage is not stated"))
    return out


def _load_applied(power: Electrical, window: LoadWindow) -> tuple[Event, ...]:
    if window.starts_late:
        return ()
    return (Event("load applied", window.from_s, window.from_s, float(power.p3[window.a]), "W"),)


def _events(power: Electrical, window: LoadWindow, end: EndOfLoad, backs: list[tuple[int, int]]) -> tuple[Event, ...]:
    out = []
    for a, b in backs:
        start, stop = window.a + a, window.a + b
        level = float(np.median(power.p3[start : stop + 1]))
        out.append(
            Event(
                "cutback", float(power.t[start]), float(power.t[stop]), level, "W", f"power went down to {level:.3g} W"
            )
        )
    if end.word is LoadEnd.CUT_OFF:
        out.append(Event("cut-off", window.to_s, float(power.t[end.at]), float(power.p3[window.b]), "W"))
    elif end.word is LoadEnd.FADING and np.isfinite(end.fall_s):
        out.append(Event("fading", window.to_s, float(power.t[end.at]), float(power.p3[window.b]), "W"))
    return tuple(out)


def _redo_runtime(place: Place) -> str:
    """First to last pair of neighbours at a tenth of the plateau."""
    return (
        f"{plateau(place)}, loaded AS (\n"
        f"  SELECT t_s, lead(t_s) OVER w AS next_s, p3 >= {place.constant('window_share')} * plateau_w AS is_on,\n"
        "         lead(is_on) OVER w AS next_on\n  FROM quiet, plateau WINDOW w AS (ORDER BY n)\n)\n"
        f"SELECT max(next_s) - min(t_s) AS {place.result.name} FROM loaded WHERE is_on AND next_on"
    )


def _redo_share(place: Place) -> str | None:
    rated = place.account.numbers.get("rated_energy_wh")
    return redo_scaled_energy(place, 1.0 / rated) if rated is not None else None


def _redo_cell_charge(place: Place) -> str | None:
    volts = place.account.numbers.get("cell_voltage_v")
    return redo_scaled_energy(place, 1000.0 / volts) if volts is not None else None


_CUTBACK_RESTS = ("held_band", "cutback_min_s", "cutback_rise_share", "cutoff_share")

ENERGY_OUT_WH = ResultSpec(
    "energy_out_wh",
    "delivered energy",
    "Wh",
    kinds=("discharge",),
    better=Better.LARGER,
    on_page={"discharge": 10},
    compared_for={"power bank": 10},
    glance=30,
    runs_column=True,
    rests_on=("counter_disagreement",),
    redo=redo_energy,
)
HELD_S = ResultSpec(
    "held_s",
    "time at full set load",
    "s",
    short="time at set load",
    shown=Shown.DURATION,
    kinds=("discharge",),
    better=Better.LARGER,
    on_page={"discharge": 30},
    compared_for={"power bank": 50},
    glance=65,
    runs_column=True,
    filter_words={"held": 60.0},
    rests_on=("held_band", "held_break_s"),
    redo=between,
)
FIRST_CUTBACK_S = ResultSpec(
    "first_cutback_s",
    "time to first cutback",
    "s",
    short="first cutback",
    shown=Shown.DURATION,
    rests_on=_CUTBACK_RESTS,
    redo=between,
)
END_OF_LOAD = ResultSpec(
    "end", "end of load", "", shown=Shown.TEXT, glance=180, rests_on=(*_CUTBACK_RESTS, "cutoff_within_s")
)
CHARGE_OUT_AH = ResultSpec(
    "charge_out_ah",
    "delivered charge",
    "Ah",
    kinds=("discharge",),
    better=Better.LARGER,
    glance=40,
    runs_column=True,
    rests_on=("counter_disagreement",),
    redo=redo_charge,
)
YIELD = ResultSpec(
    "yield",
    "yield",
    "1",
    shown=Shown.SHARE,
    kinds=("discharge",),
    better=Better.LARGER,
    on_page={"discharge": 20},
    compared_for={"power bank": 20},
    to_get_it="Discharge it once more; state the rated energy.",
    rests_on=("counter_disagreement",),
    redo=_redo_share,
)
SPECS = (
    ENERGY_OUT_WH,
    CHARGE_OUT_AH,
    ResultSpec(
        "runtime_s",
        "runtime",
        "s",
        shown=Shown.DURATION,
        kinds=("discharge",),
        better=Better.LARGER,
        on_page={"discharge": 40},
        glance=60,
        runs_column=True,
        redo=_redo_runtime,
    ),
    HELD_S,
    FIRST_CUTBACK_S,
    ResultSpec(
        "energy_to_cutback_wh",
        "energy to first cutback",
        "Wh",
        short="energy to cutback",
        rests_on=("counter_disagreement", *_CUTBACK_RESTS),
        redo=redo_energy,
    ),
    END_OF_LOAD,
    YIELD,
    ResultSpec(
        "cell_equivalent_mah",
        "equivalent cell capacity",
        "mAh",
        short="cell equivalent",
        kinds=("discharge",),
        rests_on=("counter_disagreement",),
        redo=_redo_cell_charge,
    ),
)
REDUCERS = (Reducer("discharge", ("discharge",), reduce, METHODS),)
