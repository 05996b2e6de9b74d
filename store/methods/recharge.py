"""What a recharge took, how long to full, its taper and its pauses. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from store.methods.energy import (
    ENERGY,
    TAIL,
    Integral,
    counter_notes,
    integral_result,
    integrate,
    redo_charge,
    redo_energy,
)
from store.methods.method import Bound, Found, Method, Reducer
from store.methods.moments import offset_w, power_error_u, told_edge, told_moment
from store.methods.sql_parts import (
    BILINEAR,
    POWER,
    TAKEN,
    Place,
    between_moments,
    found_spans,
    moment_parts,
    number,
)
from store.model.results import Account, Contribution, Event, Flag, Result
from store.model.spec import Better, ResultSpec, Shown
from store.signal.detectors import Pause, last_in_band, pauses
from store.signal.edges import edge_before
from store.signal.intake import Fall, fall_below, taper_of
from store.signal.integrate import HOUR_S
from store.signal.prepared import Prepared
from store.signal.signals import Electrical
from store.signal.statistics import median, noise
from store.signal.window import LoadWindow
from store.uncertainty.accuracy import SQRT3
from store.uncertainty.budget import combined, logged_power_budget, power_budget
from store.uncertainty.sampling import clock_of, edge_time, moment_part, one_sided

__all__ = ["METHODS", "REDUCERS", "SPECS", "largest_mean", "reduce"]

PEAK = Method("peak mean", 2, "largest mean power over any 10 s without a gap, from the running energy")
FULL = Method(
    "time to full",
    2,
    "from the start of charging to the last time power exceeded 5 % of the plateau: between samples where it falls at "
    "once, else where a curve through ln of power crosses",
)
EIGHTY = Method("time to 80 %", 2, "from the start of charging until 80 % of the energy taken in had gone in")
TAPER = Method(
    "taper start",
    2,
    "from the start of charging to the end of constant current (of constant power, where the current is not): the "
    "curve through ln of the fade between 95 and 70 % of the level, carried back to the level",
)
PAUSES = Method("pauses", 2, "spans under a tenth of the plateau for over 30 s that are followed by charging again")
METHODS = (PEAK, FULL, EIGHTY, TAPER, PAUSES)

ILL_SHARE = 0.05
"""A moment whose standard uncertainty is over a twentieth of the time, so that ± is a tenth, is ill defined."""
COARSE_SHARE = 0.1
"""A step over a tenth of what follows the bend leaves it nowhere in particular."""

NAMES = (
    ("energy_in_wh", "Wh"),
    ("charge_in_ah", "Ah"),
    ("power_peak_w", "W"),
    ("time_to_full_s", "s"),
    ("time_to_80_s", "s"),
    ("taper_start_s", "s"),
    ("pauses", "1"),
    ("pause_s", "s"),
)


def reduce(run: Prepared) -> Found:
    """Section 4 of the results."""
    power, window = run.signals.power, run.window
    if power is None or window is None:
        return Found(tuple(ENERGY.absent(name, unit, run.no_load) for name, unit in NAMES))
    a = window.a
    full = fall_below(power.t[a:], power.p[a:], run.limits["full_share"] * window.plateau_w)
    volts = median(power.v[a : window.b + 1]) if power.v is not None else 0.0
    least = max(run.limits["intake_share"] * window.plateau_w, 2.0 * SQRT3 * offset_w(run, volts, 0.0))
    end = fall_below(power.t[a:], power.p[a:], least)
    last = a + end.last if end is not None else len(power.t) - 1
    charge = Charge(window, full, end, a + full.last if full is not None else last, last, least)
    energy = _intake(run, power, charge, "energy")
    bound = _bounds(window, reached=end is not None)
    rests = pauses(
        power.t[a : last + 1],
        power.p3[a : last + 1],
        run.limits["pause_share"] * window.plateau_w,
        run.limits["pause_min_s"],
    )
    results = [
        integral_result(
            "energy_in_wh", energy, warnings=(*bound.notes, *counter_notes(run, "energy_wh")), flags=bound.flags
        ),
        _charge(run, power, charge, bound),
        _peak(run, power, window),
        _full(run, power, charge),
        _eighty(run, power, charge, energy),
        *_taper(run, power, charge),
        *_pause_results(run, window, rests),
    ]
    return Found(tuple(results), _events(run, power, charge, rests))


def _bounds(window: LoadWindow, *, reached: bool) -> Bound:
    notes, flags = [], set()
    if not reached:
        notes.append("a lower bound: the log ends while charging")
        flags |= {Flag.AT_LEAST, Flag.LOG_STOPPED}
    if window.starts_late:
        notes.append("a lower bound: logging started while charging; earlier energy is missing")
        flags |= {Flag.AT_LEAST, Flag.STARTS_LATE}
    return Bound(tuple(notes), frozenset(flags))


@dataclass(frozen=True, slots=True)
class Charge:
    """A charge's window and how it ends: at 5 % of the plateau, and at the end of the intake."""

    window: LoadWindow
    full: Fall | None
    end: Fall | None
    full_at: int
    """Kept sample before the fall under 5 %; the last one where the log ends above that."""
    last: int
    """Kept sample before the end of the intake."""
    least_w: float
    """Power that counts as the end of the intake."""


def _intake(run: Prepared, power: Electrical, charge: Charge, quantity: str) -> Integral:
    """Energy or charge to the end of the intake; of what a tail beyond it could still add, half.

    Source: GUM 4.3.8 for limits that are not symmetric; arcsine, for a charger either goes on or has stopped.
    """
    end = charge.end
    last = charge.last + 1 if end is not None and end.tail == 0.0 and charge.last < len(power.t) - 1 else charge.last
    first = charge.window.a - 1 if edge_before(power.t, power.is_gap, charge.window.a).is_seen else charge.window.a
    part = integrate(run, quantity, first, last, "along")
    if end is None or end.tail <= 0.0:
        return part
    volts = float(power.v[charge.last]) if power.v is not None else 0.0
    tail = end.tail / HOUR_S / (1.0 if quantity == "energy" else max(volts, 1e-9))
    told = (
        f"none or all of an exponential tail under {charge.least_w:.3g} W, {tail:.3g} {part.unit}; half of it is added"
    )
    beyond = Contribution("tail beyond the end", 0.5 * tail / math.sqrt(2.0), "B", "arcsine", told)
    # an offset of the meter is in the energy and, the same error, in how long the tail is taken to be
    longer_h = 2.0 * end.tail / charge.least_w / HOUR_S
    shift = longer_h * offset_w(run, volts, 0.0) / (1.0 if quantity == "energy" else max(volts, 1e-9))
    lines = [
        replace(line, standard_uncertainty=line.standard_uncertainty + shift, detail=f"{line.detail}; and of the tail")
        if line.name in ("offset of I", "offset of P")
        else line
        for line in part.budget
    ]
    budget = (*lines, beyond) if part.budget else ()
    return replace(
        part, value=part.value + 0.5 * tail, budget=budget, account=part.account.plus(half_of_tail=0.5 * tail)
    )


def _charge(run: Prepared, power: Electrical, charge: Charge, bound: Bound) -> Result:
    if power.i is None:
        return ENERGY.absent("charge_in_ah", "Ah", "the log has no current")
    taken = _intake(run, power, charge, "charge")
    return integral_result("charge_in_ah", taken, warnings=bound.notes, flags=bound.flags)


def largest_mean(power: Electrical, span_s: float, a: int, b: int) -> tuple[float, float] | None:
    """Largest mean power [W] over any `span_s` between kept samples a and b, and when it began [s].

    The running energy is interpolated; spans that touch a gap don't count. None where the log is too short.
    """
    t = power.t[a : b + 1]
    if len(t) < 2 or t[-1] - t[0] < span_s:
        return None
    energy = power.total["energy"][a : b + 1]
    lost = np.concatenate(([0.0], np.cumsum(np.where(power.is_gap[a:b], np.diff(t), 0.0))))
    ends = t + span_s
    count = int(np.searchsorted(ends, t[-1], side="right"))
    mean = (np.interp(ends[:count], t, energy) - energy[:count]) * HOUR_S / span_s
    whole = np.interp(ends[:count], t, lost) - lost[:count] <= 0.0
    if not whole.any():
        return None
    mean[~whole] = -np.inf
    at = int(np.argmax(mean))
    return float(mean[at]), float(t[at])


def _peak(run: Prepared, power: Electrical, window: LoadWindow) -> Result:
    span_s = run.limits["peak_mean_s"]
    found = largest_mean(power, span_s, window.a, window.b)
    if found is None:
        return PEAK.absent("power_peak_w", "W", f"no {span_s:.0f} s without a gap in the load window")
    value, at_s = found
    budget = logged_power_budget(run.meter, value) if power.v is None else ()
    if power.v is not None:
        volts = float(np.interp(at_s, power.t, power.v))
        budget = power_budget(run.meter, power=value, volts=volts, amps=value / volts if volts > 0.0 else 0.0)
    if budget:
        part = slice(window.a, window.b + 1)
        near = np.abs(power.p[part] - value) <= run.limits["taper_band"] * value
        spans = max(float(near.sum()) * run.signals.step_s / span_s, 2.0)
        of_mean = noise(power.p[part][near]) * math.sqrt(min(run.signals.step_s / span_s, 1.0))
        bias = of_mean * math.sqrt(2.0 * math.log(spans))
        budget = (
            *budget,
            one_sided("largest of many", bias, f"noise makes the largest of {spans:.0f} means too large"),
        )
    return PEAK.found(
        "power_peak_w",
        value,
        "W",
        budget=budget,
        reason=run.no_energy_accuracy,
        span=(at_s, at_s + span_s),
        account=Account(power=power.source),
    )


def _full(run: Prepared, power: Electrical, charge: Charge) -> Result:
    window, fall = charge.window, charge.full
    if fall is None:
        reason = f"not reached, the log ends at {float(power.p3[-1]):.3g} W"
        return FULL.absent("time_to_full_s", "s", reason, flags=(Flag.NOT_REACHED,))
    warnings = ("the log starts while charging: the true time is longer",) if window.starts_late else ()
    begin, _ = window.edges(power)
    length = fall.moment.at_s - begin.at_s
    share = run.limits["full_share"]
    budget = [
        edge_time("charging begins", begin),
        *_fall_parts(run, power, charge, fall, share),
        clock_of(run.meter, length),
    ]
    u = combined(budget)
    if u > ILL_SHARE * length:
        told = (
            f"ill defined: power passes {share * 100:.0f} % of the plateau so slowly that ± is {200 * u / length:.0f} %"
        )
        warnings = (*warnings, told)
    of = "ln(p)" if fall.moment.crossing is not None else "p"
    return FULL.found(
        "time_to_full_s",
        length,
        "s",
        budget=budget,
        span=(begin.at_s, fall.moment.at_s),
        warnings=warnings,
        account=Account(
            power=power.source,
            numbers={"plateau_w": window.plateau_w, "threshold_w": share * window.plateau_w},
            moments={"begins": told_edge(begin), "ends": told_moment(fall.moment, of)},
        ),
        flags=(Flag.AT_LEAST, Flag.STARTS_LATE) if window.starts_late else (),
    )


def _fall_parts(run: Prepared, power: Electrical, charge: Charge, fall: Fall, share: float) -> list[Contribution]:
    """What a fall under a share of the plateau is known to; gains cancel in a share of the run's own plateau."""
    moment = fall.moment
    if moment.crossing is None and fall.slope == 0.0:
        return [moment_part("power falls", moment.step_s)]
    rate = abs(fall.slope)
    detail = f"over {rate * 3600.0:.3g} W/h"
    offset = (1.0 - share) * power_error_u(run, power, charge.window.a + fall.last) / rate
    parts = [Contribution("offset at the threshold", offset, "B", "rectangular", detail)]
    if moment.crossing is None:
        return [*parts, moment_part("power falls", moment.step_s)]
    crossing = moment.crossing
    told = f"{crossing.curve.samples} samples about a curve"
    return [*parts, Contribution("scatter", moment.u_s, "A", "normal", told, dof=crossing.dof)]


def _eighty(run: Prepared, power: Electrical, charge: Charge, energy: Integral) -> Result:
    if charge.end is None:
        reason = "full was not reached, so it is not known what 80 % would be"
        return EIGHTY.absent("time_to_80_s", "s", reason, flags=(Flag.NOT_REACHED,))
    name = "energy_along" if power.is_both_ways else "energy"
    first, last = (int(np.searchsorted(power.t, at)) for at in energy.span)
    total = power.total[name][first : last + 1]
    share = run.limits["full_energy_share"]
    goal = float(total[0]) + share * energy.value
    k = int(np.argmax(total >= goal))
    if k == 0:
        return EIGHTY.absent("time_to_80_s", "s", "no energy went in")
    t = power.t[first : last + 1]
    rise = float(total[k] - total[k - 1])
    at = float(t[k - 1]) + (goal - float(total[k - 1])) / rise * float(t[k] - t[k - 1])
    begin, _ = charge.window.edges(power)
    rate = rise / float(t[k] - t[k - 1])
    parts = [edge_time("charging begins", begin)]
    if energy.budget:
        parts += _eighty_parts(run, power, energy, (first, first + k, last), share=share, rate=rate)
    parts.append(clock_of(run.meter, at - begin.at_s))
    return EIGHTY.found(
        "time_to_80_s",
        at - begin.at_s,
        "s",
        budget=parts,
        span=(energy.span[0], at),
        account=replace(
            energy.account.plus(energy_in_wh=energy.value, share=share, full_at_s=energy.span[1]),
            moments={"begins": told_edge(begin)},
        ),
    )


def _eighty_parts(
    run: Prepared, power: Electrical, energy: Integral, at: tuple[int, int, int], *, share: float, rate: float
) -> list[Contribution]:
    """What is not shared by the energy in all and the energy until then, over how fast energy goes in there [Wh/s]."""
    first, middle, last = at
    name = "volt_hours" if power.v is not None else "hours"
    apart = share * power.integral(name, first, last) - power.integral(name, first, middle)
    accuracy = run.meter.current if power.v is not None else run.meter.power
    offset = abs(apart) * (accuracy.offset_u if accuracy is not None else 0.0) / rate
    out = [Contribution("offset of I", offset, "B", "rectangular", "of the share, over how fast energy goes in")]
    for part in energy.budget:
        if part.name in ("tail beyond the end", "edge: load off", "scatter", "edges within", "time step"):
            factor = share if part.name in ("tail beyond the end", "edge: load off") else 1.0
            out.append(replace(part, standard_uncertainty=factor * part.standard_uncertainty / rate))
    return out


def _taper(run: Prepared, power: Electrical, charge: Charge) -> list[Result]:
    window, end = charge.window, charge.full or charge.end
    reason = "not reached, the log ends at the plateau" if end is None else ""
    part = slice(window.a, charge.full_at + 1)
    t = power.t[part]
    held, found = "ln(p)", None
    if power.i is not None and (found := taper_of(t, power.i[part])) is not None:
        held = "ln(i)"
    found = found or taper_of(t, power.p[part])
    if found is None or found.moment.crossing is None:
        reason = reason or "current never was constant and then faded, or the fade left too few samples"
        return [TAPER.absent("taper_start_s", "s", reason, flags=(Flag.NOT_REACHED,) if end is None else ())]
    begin, _ = window.edges(power)
    at = found.moment.at_s
    rest = float(power.t[charge.full_at]) - at
    step = median(np.diff(t))
    if step > COARSE_SHARE * rest:
        reason = f"a sample each {step:.3g} s is too coarse for what follows, {rest:.0f} s"
        return [TAPER.absent("taper_start_s", "s", reason)]
    crossing = found.moment.crossing
    length = at - begin.at_s
    budget = [
        edge_time("charging begins", begin),
        Contribution("scatter", found.moment.u_s, "A", "normal", f"{crossing.curve.samples} samples of the fade",
                     dof=crossing.dof),
        Contribution("bend", found.shape_s / SQRT3, "B", "rectangular", "what a curve of one order less moves it by"),
        clock_of(run.meter, length),
    ]  # fmt: skip
    account = Account(
        power=power.source,
        numbers={"level_from_s": found.flat[0], "level_to_s": found.flat[1]},
        moments={"begins": told_edge(begin), "ends": told_moment(found.moment, held)},
    )
    return [TAPER.found("taper_start_s", length, "s", budget=budget, span=(begin.at_s, at), account=account)]


def _pause_results(run: Prepared, window: LoadWindow, rests: list[Pause]) -> list[Result]:
    total = sum(p.length_s for p in rests)
    spans: tuple[tuple[float, ...], ...] = ()
    if run.signals.power is not None:
        starts = [float(run.signals.power.t[window.a + rest.a]) for rest in rests]
        spans = tuple((at, at + rest.length_s) for at, rest in zip(starts, rests, strict=True))
    numbers = {"threshold_w": run.limits["pause_share"] * window.plateau_w, "pauses": float(len(rests))}
    account = Account(power=run.power_source, numbers=numbers, spans=spans)
    steps = run.signals.step_s * math.sqrt(2.0 * len(rests) / 12.0)
    told = f"{2 * len(rests)} edges, each anywhere in a step of {run.signals.step_s:.4g} s"
    edges = Contribution("edges", steps, "B", "rectangular", told)
    budget = (edges, clock_of(run.meter, total)) if rests else ()
    return [
        PAUSES.found("pauses", len(rests), "1", uncertainty=0.0, span=window.span, account=account),
        PAUSES.found(
            "pause_s", total, "s", budget=budget, uncertainty=None if rests else 0.0, span=window.span, account=account
        ),
    ]


def _thermal(run: Prepared, at_s: float) -> tuple[bool, str]:
    """Whether a pause that begins here is for heat: within 3 K of the run's maximum."""
    for channel in ("temperature_cell_c", "temperature_c", "temperature_2_c", "temperature_plug_c"):
        series = run.signals.series.get(channel)
        if series is None:
            continue
        now = float(np.interp(at_s, series.t, series.y))
        top, start = float(series.y.max()), float(series.y[0])
        near = top - now <= run.limits["thermal_band_k"] and top - start > run.limits["thermal_band_k"]
        return near, f"at {now:.1f} °C, the run's maximum is {top:.1f} °C"
    return False, ""


def _events(run: Prepared, power: Electrical, charge: Charge, rests: list[Pause]) -> tuple[Event, ...]:
    out = []
    window = charge.window
    if not window.starts_late:
        out.append(
            Event("load applied", window.from_s, window.from_s, float(power.p3[window.a]), "W", "charging began")
        )
    for rest in rests:
        from_s = float(power.t[window.a + rest.a])
        is_thermal, detail = _thermal(run, from_s)
        out.append(
            Event(
                "thermal pause" if is_thermal else "pause", from_s, from_s + rest.length_s, rest.length_s, "s", detail
            )
        )
    last = last_in_band(power.p3[window.a : window.b + 1], window.plateau_w, run.limits["taper_band"])
    if last is not None and window.a + last < len(power.t) - 1:
        at = float(power.t[window.a + last])
        out.append(
            Event("taper", at, float(power.t[charge.full_at]), window.plateau_w, "W", "power left the plateau for good")
        )
    if charge.full is not None:
        at = float(power.t[charge.full_at])
        out.append(Event("full", at, at, float(power.p3[charge.full_at]), "W"))
    return tuple(out)


def _redo_peak(place: Place) -> str:
    """Energy over the stated span, the last step in part, over its length."""
    low, high = place.result.from_s or 0.0, place.result.to_s or 0.0
    whole = BILINEAR if place.is_product else POWER
    return (
        f"{TAKEN}{place.steps()}\n"
        f"SELECT sum({whole} * least(1, ({number(high)} - from_s) / step)) / {number(high - low)} "
        f"AS {place.result.name}\n"
        f"FROM steps, usual WHERE step <= longest AND from_s >= {number(low)} AND from_s < {number(high)}"
    )


def _redo_eighty(place: Place) -> str | None:
    """When a share of the energy had gone in, between samples in proportion."""
    start, full = place.result.from_s, place.account.numbers.get("full_at_s")
    if start is None or full is None or place.account.counted is not None:
        return None
    whole = BILINEAR if place.is_product else POWER
    tail = place.account.numbers.get(TAIL, 0.0) * HOUR_S
    goal = f"{place.constant('full_energy_share')} * (sum(e) OVER () + {number(tail)})"
    begin = moment_parts(place, "begins")[1]
    return (
        f"{place.steps()}, gained AS (\n  SELECT from_s, step, CASE WHEN step <= longest THEN {whole} ELSE 0 END AS e\n"
        f"  FROM steps, usual WHERE from_s >= {number(start)} AND to_s <= {number(full)}\n), summed AS (\n"
        f"  SELECT *, sum(e) OVER (ORDER BY from_s) AS upto, {goal} AS goal FROM gained\n)\n"
        f"SELECT from_s + (goal - (upto - e)) / e * step - {begin} AS {place.result.name}\n"
        "FROM summed WHERE upto >= goal ORDER BY from_s LIMIT 1"
    )


def _redo_pauses(place: Place) -> str:
    """The rests that were found, each held against the threshold on the samples."""
    what = "count(*)" if place.result.name == "pauses" else "coalesce(sum(to_s - from_s), 0)"
    return (
        f"{TAKEN}{place.track()}, {found_spans(place.account.spans, ('from_s', 'to_s'))}\n"
        f"SELECT {what} AS {place.result.name} FROM found\n"
        "WHERE (SELECT median(p) FROM samples WHERE t_s >= from_s AND t_s < to_s) "
        f"< {number(place.given('threshold_w'))}"
    )


ENERGY_IN_WH = ResultSpec(
    "energy_in_wh",
    "energy taken in",
    "Wh",
    kinds=("recharge",),
    on_page={"recharge": 10},
    glance=50,
    runs_column=True,
    rests_on=("counter_disagreement", "intake_share"),
    redo=redo_energy,
)
TIME_TO_FULL_S = ResultSpec(
    "time_to_full_s",
    "time to full",
    "s",
    shown=Shown.DURATION,
    kinds=("recharge",),
    better=Better.SMALLER,
    on_page={"recharge": 20},
    compared_for={"power bank": 60},
    glance=120,
    runs_column=True,
    rests_on=("full_share",),
    redo=between_moments,
)
TIME_TO_80_S = ResultSpec(
    "time_to_80_s",
    "time to 80 %",
    "s",
    shown=Shown.DURATION,
    kinds=("recharge",),
    on_page={"recharge": 30},
    rests_on=("intake_share", "full_energy_share"),
    redo=_redo_eighty,
)
POWER_PEAK_W = ResultSpec(
    "power_peak_w",
    "peak charging power",
    "W",
    short="peak power",
    kinds=("recharge",),
    rests_on=("peak_mean_s", "taper_band"),
    redo=_redo_peak,
)
SPECS = (
    ENERGY_IN_WH,
    ResultSpec(
        "charge_in_ah",
        "charge taken in",
        "Ah",
        kinds=("recharge",),
        runs_column=True,
        rests_on=("counter_disagreement", "intake_share"),
        redo=redo_charge,
    ),
    POWER_PEAK_W,
    TIME_TO_FULL_S,
    TIME_TO_80_S,
    ResultSpec(
        "taper_start_s",
        "start of taper",
        "s",
        shown=Shown.DURATION,
        rests_on=("full_share",),
        redo=between_moments,
    ),
    ResultSpec(
        "pauses",
        "pauses while charging",
        "1",
        short="pauses",
        shown=Shown.COUNT,
        kinds=("recharge",),
        on_page={"recharge": 50},
        rests_on=("intake_share", "pause_share", "pause_min_s"),
        redo=_redo_pauses,
    ),
    ResultSpec(
        "pause_s",
        "time paused",
        "s",
        shown=Shown.DURATION,
        rests_on=("intake_share", "pause_share", "pause_min_s"),
        redo=_redo_pauses,
    ),
)
REDUCERS = (Reducer("recharge", ("recharge",), reduce, METHODS),)
