"""What a discharge delivered, how long it held, and why it ended. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from store.methods.energy import (
    ENERGY,
    Integral,
    counter_notes,
    integral_result,
    integrate_load,
    redo_charge,
    redo_energy,
    redo_scaled_energy,
)
from store.methods.method import Bound, Found, Method, Reducer
from store.methods.moments import slope_parts, told_edge, told_moment
from store.methods.sql_parts import Place, between_moments, load_edges
from store.model.results import Account, Array, Contribution, Event, Flag, Mask, Result
from store.model.spec import Better, ResultSpec, Shown
from store.signal.detectors import EndOfLoad, LoadEnd, cutbacks, end_of_load, in_band
from store.signal.edges import Edge
from store.signal.holding import Moment, held_span, judged, moment_of_fall
from store.signal.prepared import Prepared
from store.signal.signals import Electrical
from store.signal.statistics import median
from store.signal.window import LoadWindow
from store.uncertainty.budget import scaled
from store.uncertainty.sampling import clock_of, edge_time, moment_part
from store.words.facts import parse_load

__all__ = [
    "METHODS",
    "REDUCERS",
    "RUNTIME_S",
    "SPECS",
    "held_quantity",
    "reduce",
]

RUNTIME = Method(
    "runtime",
    2,
    "length of the load window: first to last sample at a tenth of the plateau or more, and half of the step at either "
    "edge that the log holds",
)
HELD = Method(
    "held",
    3,
    "longest unbroken time within 5 % of the set load, or of the plateau where none is stated, judged on means of "
    "10 s; from edge to edge, or to where a slope leaves the band; a lower bound where a gap in the log ends it",
)
CUTBACK = Method(
    "cutback", 2, "when power first left the 5 % band downwards for over 10 s other than at the end, from load applied"
)
END = Method(
    "end",
    2,
    "from the last level to under 2 % of the plateau within 10 s: cut-off where the voltage goes too, load taken off "
    "where it stays; slower: fading; or the log stopped under load",
)
SHARE = Method("usable share", 2, "energy delivered / rated energy")
CELL_CHARGE = Method("cell equivalent", 2, "1000 x energy delivered / nominal cell voltage")
METHODS = (RUNTIME, HELD, CUTBACK, END, SHARE, CELL_CHARGE)

OWN = "plateau, no set load stated"

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
class LoadLevel:
    """What the load holds over the window: times, values as logged and judged, level, and where the level is from."""

    t: Array
    y: Array
    quiet: Array
    level: float
    called: str
    is_own: bool
    """Whether the level is the run's own plateau, so that gains cancel in a share of it."""
    quantity: str
    """`power`, `current` or `conductance`."""

    @property
    def unit(self) -> str:
        """Of the quantity."""
        return {"power": "W", "current": "A", "conductance": "S"}[self.quantity]

    @property
    def sql(self) -> str:
        """The quantity, as a statement calls it."""
        return {"power": "p", "current": "i", "conductance": "i / v"}[self.quantity]

    def threshold_u(self, run: Prepared) -> float:
        """What the meter's error does to the band's edge, in the unit of the values."""
        power, meter = run.signals.power, run.meter
        if power is None or meter.voltage is None or meter.current is None or power.v is None:
            accuracy = meter.power if self.quantity == "power" else meter.current
            if accuracy is None:
                return 0.0
            return accuracy.offset_u if self.is_own else accuracy.reading_u(self.level)
        volts = median(power.v[np.searchsorted(power.t, self.t)])
        v, i = meter.voltage, meter.current
        amps = {"power": self.level / volts, "current": self.level, "conductance": self.level * volts}[self.quantity]
        relative = [i.offset_u / amps]
        if self.quantity != "current":
            relative.append(v.offset_u / volts)
        if not self.is_own:
            relative += [i.gain_u] if self.quantity == "current" else [i.gain_u, v.gain_u]
        else:
            relative = [part * run.limits["held_band"] for part in relative]
        return self.level * math.sqrt(math.fsum(part * part for part in relative))


def held_quantity(run: Prepared, power: Electrical, window: LoadWindow) -> tuple[Array, float, str, str]:
    """What the load holds over the window, its level, how that is called, and the quantity."""
    part = slice(window.a, window.b + 1)
    load = parse_load(run.context.load_set)
    if load is not None and load.unit == "A" and power.i is not None:
        return power.i[part], load.value, f"set load {load.text}", "current"
    if load is not None and load.unit == "Ω" and power.i is not None and power.v is not None:
        amps = power.i[part]
        conductance = np.divide(amps, power.v[part], out=np.zeros_like(amps), where=power.v[part] > 0.0)
        return conductance, 1.0 / load.value, f"set load {load.text}", "conductance"
    if load is not None and load.unit == "W":
        return power.p[part], load.value, f"set load {load.text}", "power"
    return power.p[part], window.plateau_w, OWN, "power"


def reduce(run: Prepared) -> Found:
    """Section 3 of the results."""
    power, window = run.signals.power, run.window
    if power is None or window is None:
        return Found(tuple(ENERGY.absent(name, unit, run.no_load) for name, unit in NAMES))
    y, level, called, quantity = held_quantity(run, power, window)
    t = power.t[window.a : window.b + 1]
    quiet = judged(t, y, level, run.limits["held_band"])
    load = LoadLevel(t, y, quiet, level, called, called == OWN, quantity)
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
        v=power.v,
    )
    energy = integrate_load(run, "energy", window.a, window.b, "along")
    bound = _bounds(window, end)
    results = [
        integral_result(
            "energy_out_wh", energy, warnings=(*bound.notes, *counter_notes(run, "energy_wh")), flags=bound.flags
        ),
        _charge(run, power, window, bound),
        _runtime(run, power, window, bound),
        _held(run, window, load, power.is_gap[window.a : window.b], bound),
        *_first_cutback(run, power, window, load, backs),
        _end(window, power, end),
        *_shares(run, energy, bound),
    ]
    return Found(tuple(results), (*_events(power, window, end, backs), *_load_applied(power, window)))


def _bounds(window: LoadWindow, end: EndOfLoad) -> Bound:
    notes, flags = [], set()
    if end.word is LoadEnd.LOG_STOPPED:
        notes.append("a lower bound: the log stops under load (a meter fed by the port stops with it)")
        flags |= {Flag.AT_LEAST, Flag.LOG_STOPPED}
    if end.word is LoadEnd.TAKEN_OFF:
        notes.append("a lower bound: the load was taken off while the port held its voltage")
        flags |= {Flag.AT_LEAST, Flag.LOAD_TAKEN_OFF}
    if window.starts_late:
        notes.append("a lower bound: logging started under load; earlier energy is missing")
        flags |= {Flag.AT_LEAST, Flag.STARTS_LATE}
    return Bound(tuple(notes), frozenset(flags))


def _charge(run: Prepared, power: Electrical, window: LoadWindow, bound: Bound) -> Result:
    if power.i is None:
        return ENERGY.absent("charge_out_ah", "Ah", "the log has no current")
    charge = integrate_load(run, "charge", window.a, window.b, "along")
    return integral_result("charge_out_ah", charge, warnings=bound.notes, flags=bound.flags)


def _runtime(run: Prepared, power: Electrical, window: LoadWindow, bound: Bound) -> Result:
    begin, end = window.edges(power)
    length = end.at_s - begin.at_s
    return RUNTIME.found(
        "runtime_s",
        length,
        "s",
        budget=(
            edge_time("load on", begin),
            *slope_parts(run, power, window.a, -1),
            edge_time("load off", end),
            *slope_parts(run, power, window.b, 1),
            clock_of(run.meter, length),
        ),
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


def _held(run: Prepared, window: LoadWindow, load: LoadLevel, is_gap: Mask, bound: Bound) -> Result:
    t, level, called = load.t, load.level, load.called
    band = run.limits["held_band"]
    found = held_span(t, load.y, level, band, break_s=run.limits["held_break_s"], is_gap=is_gap)
    account = Account(power=run.power_source, numbers={"level": level, "band": band}, told={"level_from": called})
    power = run.signals.power
    middle = median(load.quiet)
    near = _near_edge(run, load, middle, band)
    off = abs(middle / level - 1.0) > band
    if found is None or power is None or (off and Flag.NEAR_EDGE in near.flags):
        unit = load.unit
        reason = f"not held: {middle:.4g} {unit} of {level:.4g} {unit}, not within {band * 100:.0f} % of the {called}"
        return HELD.absent("held_s", "s", reason, account=account, flags=near.flags)
    begins, ends = window.edges(power)
    begin = found.begin or _at_edge(begins if found.first == 0 else None, float(t[found.first]))
    end = found.end or _at_edge(ends if found.last == len(t) - 1 else None, float(t[found.last]))
    length = end.at_s - begin.at_s
    parts = [
        *_moment_parts(run, "begins", begin, load),
        *_moment_parts(run, "ends", end, load),
        clock_of(run.meter, length),
    ]
    moments = {
        "begins": told_moment(begin, load.sql, is_sample=begin.step_s == 0.0 and begin.crossing is None),
        "ends": told_moment(end, load.sql, is_sample=end.step_s == 0.0 and end.crossing is None),
    }
    cut = _cut_by_gap(load, is_gap, found.first, found.last, band)
    if (found.first == 0 and window.starts_late) or (found.last == len(t) - 1 and bound.flags - {Flag.STARTS_LATE}):
        cut = Bound((*cut.notes, *bound.notes), cut.flags | bound.flags)  # the log, or the tester, ended what was held
    return HELD.found(
        "held_s",
        length,
        "s",
        budget=parts,
        span=(begin.at_s, end.at_s),
        account=replace(account, moments=moments),
        warnings=(*cut.notes, *near.notes),
        flags=cut.flags | near.flags,
    )


def _near_edge(run: Prepared, load: LoadLevel, middle: float, band: float) -> Bound:
    """Said where the plateau lies within its own ± of the band's edge: then the meter's error decides."""
    if load.is_own:
        return Bound()
    off = abs(abs(middle / load.level - 1.0) - band) * load.level
    if off >= 2.0 * load.threshold_u(run):
        return Bound()
    note = f"too close to call: {middle:.4g} {load.unit} lies at the edge of {band * 100:.0f} % about {load.called}"
    return Bound((note,), frozenset({Flag.NEAR_EDGE}))


def _at_edge(edge: Edge | None, sample_s: float) -> Moment:
    """The load's own edge; the sample's own moment where a gap ended what was held."""
    return Moment(edge.at_s, edge.u_s, 2.0 * edge.half_s) if edge is not None else Moment(sample_s, 0.0, 0.0)


def _moment_parts(run: Prepared, word: str, moment: Moment, load: LoadLevel) -> list[Contribution]:
    """What a moment is known to: the step that holds its edge; or scatter, and the meter's error, over the slope."""
    if moment.crossing is None:
        return [moment_part(word, moment.step_s)]
    crossing = moment.crossing
    return [
        Contribution(
            f"scatter: {word}", crossing.u_s, "A", "normal", f"{crossing.curve.samples} samples about a curve",
            dof=crossing.dof,
        ),
        Contribution(
            f"accuracy: {word}", load.threshold_u(run) / abs(crossing.slope), "B", "rectangular",
            f"of the reading, over {abs(crossing.slope) * 3600.0:.3g} per hour",
        ),
    ]  # fmt: skip


def _cut_by_gap(load: LoadLevel, is_gap: Mask, first: int, last: int, band: float) -> Bound:
    """Said where the load was held on the other side of a gap as well: nothing shows that it was not held within."""
    t, inside = load.t, in_band(load.quiet, load.level, band)
    beside = [k for k in (first - 1, last) if 0 <= k < len(is_gap) and is_gap[k] and inside[k] and inside[k + 1]]
    if not beside:
        return Bound()
    longest = max(float(t[k + 1] - t[k]) for k in beside)
    note = f"a lower bound: a gap of {longest:.0f} s in the log ends it, and the load was held on its other side"
    return Bound((note,), frozenset({Flag.AT_LEAST, Flag.GAP_OPEN}))


def _first_cutback(
    run: Prepared, power: Electrical, window: LoadWindow, load: LoadLevel, backs: list[tuple[int, int]]
) -> list[Result]:
    t, level, called = load.t, load.level, load.called
    if not backs:
        reason = (
            f"power never left the band of the {called} for over {run.limits['cutback_min_s']:.0f} s before the end"
        )
        return [CUTBACK.absent("first_cutback_s", "s", reason), CUTBACK.absent("energy_to_cutback_wh", "Wh", reason)]
    a, b = backs[0]
    fell_to = median(load.quiet[a : b + 1]) / level
    if Flag.NEAR_EDGE in _near_edge(run, load, median(load.quiet), run.limits["held_band"]).flags and (
        fell_to > 1.0 - 2.0 * run.limits["held_band"]
    ):
        reason = f"power lies at the edge of the band of the {called}: noise would decide when it left"
        near = frozenset({Flag.NEAR_EDGE})
        return [
            CUTBACK.absent("first_cutback_s", "s", reason, flags=near),
            CUTBACK.absent("energy_to_cutback_wh", "Wh", reason, flags=near),
        ]
    begin, _ = window.edges(power)
    moment = moment_of_fall(t, load.y, max(backs[0][0] - 1, 0), (1.0 - run.limits["held_band"]) * level, level)
    last = window.a + max(int(np.searchsorted(t, moment.at_s)) - 1, 0)
    length = moment.at_s - begin.at_s
    energy = integrate_load(run, "energy", window.a, last, "along", half=moment)
    account = Account(
        power=run.power_source,
        numbers={"level": level, "cutbacks": len(backs)},
        told={"level_from": called},
        moments={"begins": told_edge(begin), "ends": told_moment(moment, load.sql)},
    )
    budget = [edge_time("load on", begin), *_moment_parts(run, "cutback", moment, load), clock_of(run.meter, length)]
    return [
        CUTBACK.found("first_cutback_s", length, "s", budget=budget, span=(begin.at_s, moment.at_s), account=account),
        integral_result("energy_to_cutback_wh", energy),
    ]


def _end(window: LoadWindow, power: Electrical, end: EndOfLoad) -> Result:
    last = float(power.p3[window.b])
    account = Account(numbers={"last_power_w": last})
    if np.isfinite(end.fall_s):
        account = account.plus(fall_s=end.fall_s)
    told = {LoadEnd.LOG_STOPPED: (Flag.LOG_STOPPED,), LoadEnd.TAKEN_OFF: (Flag.LOAD_TAKEN_OFF,)}
    flags = told.get(end.word, ())
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
        level = median(power.p3[start : stop + 1])
        out.append(
            Event(
                "cutback", float(power.t[start]), float(power.t[stop]), level, "W", f"power went down to {level:.3g} W"
            )
        )
    if end.word in (LoadEnd.CUT_OFF, LoadEnd.TAKEN_OFF):
        out.append(Event(str(end.word), window.to_s, float(power.t[end.at]), float(power.p3[window.b]), "W"))
    elif end.word is LoadEnd.FADING and np.isfinite(end.fall_s):
        out.append(Event("fading", window.to_s, float(power.t[end.at]), float(power.p3[window.b]), "W"))
    return tuple(out)


def _redo_runtime(place: Place) -> str:
    """From edge to edge of the load."""
    return f"{load_edges(place)}\nSELECT end_s - begin_s AS {place.result.name} FROM edges"


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
    redo=between_moments,
)
FIRST_CUTBACK_S = ResultSpec(
    "first_cutback_s",
    "time to first cutback",
    "s",
    short="first cutback",
    shown=Shown.DURATION,
    rests_on=_CUTBACK_RESTS,
    redo=between_moments,
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
RUNTIME_S = ResultSpec(
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
)

SPECS = (
    ENERGY_OUT_WH,
    CHARGE_OUT_AH,
    RUNTIME_S,
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
