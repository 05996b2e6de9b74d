"""Energy and charge of a run, by direction, with gaps, counters and budget. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from store.methods.method import EVERY, Found, Method, Reducer
from store.methods.sql_parts import BILINEAR, JUMP, POWER, Place, number
from store.model.results import Account, Array, Contribution, Counted, Flag, Power, Result
from store.model.spec import ResultSpec
from store.signal.edges import edge_after, edge_before, sampling_u
from store.signal.holding import Moment
from store.signal.integrate import HOUR_S
from store.signal.prepared import Prepared
from store.signal.signals import Electrical, Signals, is_alternating
from store.signal.statistics import median
from store.uncertainty.budget import charge_budget, counter_part, energy_budget, logged_energy_budget
from store.uncertainty.sampling import clock_of, edge_weight, scatter_part

__all__ = [
    "ENERGY",
    "METHODS",
    "REDUCERS",
    "SPECS",
    "TAIL",
    "Integral",
    "counter_notes",
    "integral_result",
    "integrate",
    "integrate_load",
    "redo_charge",
    "redo_energy",
    "redo_scaled_energy",
    "reduce",
    "sampling_parts",
]

TAIL = "half_of_tail"
"""Under which name an account holds what is added to an energy or charge taken in."""

ENERGY = Method(
    "energy bilinear",
    2,
    "sum over steps of step x (2 V0 I0 + 2 V1 I1 + V0 I1 + V1 I0) / 6: V and I linear between samples; where power "
    "jumps, each side's power for half of the step; nothing across a gap unless the meter's counter spans it",
    "exact for linear x linear; ten-line check in any text",
)
POWER_ENERGY = Method(
    "energy trapezoid",
    2,
    "sum over steps of step x (P0 + P1) / 2 of the logged power; nothing across a gap",
    "trapezoid rule",
)
CHARGE = Method("charge trapezoid", 2, "sum over steps of step x (I0 + I1) / 2; nothing across a gap", "trapezoid rule")
CHECK = Method("counter check", 2, "the meter's own counter, last minus first, against the integral of the samples")
METHODS = (ENERGY, POWER_ENERGY, CHARGE, CHECK)

COUNTED = {"": Counted.NET, "along": Counted.ALONG, "against": Counted.AGAINST}


@dataclass(frozen=True, slots=True)
class Integral:
    """An integral over part of a run, with what stands behind it."""

    value: float
    unit: str
    budget: tuple[Contribution, ...]
    reason: str
    """Why the uncertainty is unknown."""
    span: tuple[float, float]
    account: Account
    warnings: tuple[str, ...]
    method: Method
    flags: frozenset[Flag] = frozenset()


def _gap_notes(
    power: Electrical, a: int, b: int, filled: Array | None, unit: str
) -> tuple[float, list[str], set[Flag], dict[str, float]]:
    """What the counter gave across gaps, notes, flags and numbers about gaps between samples a and b."""
    gap_s, count = power.gap_s(a, b)
    numbers: dict[str, float] = {"gaps": count, "gap_s": gap_s}
    flags: set[Flag] = set()
    if not count:
        return 0.0, [], flags, numbers
    part = filled[a:b] if filled is not None else np.full(b - a, np.nan)
    where = power.is_gap[a:b]
    known = where & np.isfinite(part)
    steps = np.diff(power.t[a : b + 1])
    from_counter = float(part[known].sum())
    open_s = float(steps[where & ~known].sum())
    warnings = []
    if known.any():
        numbers[f"from_counter_{unit.lower()}"] = from_counter
        flags.add(Flag.GAP_FILLED)
        warnings.append(
            f"{int(known.sum())} gap(s) of {float(steps[known].sum()):.0f} s in all: {from_counter:.4g} {unit} "
            "taken from the meter's counter"
        )
    if open_s > 0.0:
        numbers["unknown_s"] = open_s
        flags |= {Flag.AT_LEAST, Flag.GAP_OPEN}
        warnings.append(f"a lower bound: nothing is known of {open_s:.0f} s in {int((where & ~known).sum())} gap(s)")
    return from_counter, warnings, flags, numbers


def integrate_load(
    run: Prepared, quantity: str, a: int, b: int, part: str = "", *, half: Moment | None = None
) -> Integral:
    """Energy or charge of a load from its first to its last sample, with half a step at either edge that the log holds.

    Args and returns: as `integrate`; with `half` the load goes on after sample b, and only its level up to that moment
    counts.
    """
    power = run.signals.power
    if power is None:
        raise ValueError(run.no_load)
    first = a - 1 if edge_before(power.t, power.is_gap, a).is_seen else a
    last = b + 1 if edge_after(power.t, power.is_gap, b).is_seen else b
    if half is None:
        return integrate(run, quantity, first, last, part)
    whole = integrate(run, quantity, first, b, part)
    y = power.p if quantity == "energy" or power.i is None else power.i
    rest_s = min(max(half.at_s - float(power.t[b]), 0.0), float(power.t[min(b + 1, len(power.t) - 1)] - power.t[b]))
    moment = Contribution(
        "moment of the end", abs(float(y[b])) * half.u_s / HOUR_S, "B", "rectangular", f"known to {half.u_s:.3g} s"
    )
    return replace(
        whole,
        value=whole.value + float(y[b]) * rest_s / HOUR_S,
        budget=(*whole.budget, moment) if whole.budget else (),
        account=whole.account.plus(after_last_s=rest_s),
    )


def integrate(run: Prepared, quantity: str, a: int, b: int, part: str = "") -> Integral:
    """Energy or charge between two kept samples.

    Args:
        run: the prepared run, which has an electrical track.
        quantity: `energy` [Wh] or `charge` [Ah].
        a: first kept sample.
        b: last kept sample.
        part: empty for the net, `along` or `against` the run's direction.
    """
    power = run.signals.power
    if power is None:
        raise ValueError(run.no_load)
    name = f"{quantity}_{part}" if part else quantity
    unit, filled = ("Wh", power.filled_wh) if quantity == "energy" else ("Ah", power.filled_ah)
    if part and not power.is_both_ways:
        name = quantity
    value = power.integral(name, a, b)
    from_counter, warnings, flags, numbers = _gap_notes(power, a, b, None if power.is_both_ways else filled, unit)
    numbers |= {
        "samples_used": b - a + 1 if not power.grain_s else power.used,
        "left_out": power.left_out,
    }
    counted = COUNTED[part] if power.is_both_ways else None
    budget: tuple[Contribution, ...] = ()
    if power.v is not None or quantity == "energy":
        net = power.integral(quantity, a, b) - from_counter
        step = net - power.integral(f"{quantity}_half", a, b) if f"{quantity}_half" in power.total else 0.0
        budget = _budget(run, quantity, value, step, span=(a, b), part=part)
    if budget:
        budget = (*budget, *sampling_parts(run, quantity, a, b), clock_of(run.meter, value))
    if budget and from_counter:
        budget = (*budget, counter_part(from_counter, run.limits["counter_disagreement"]))
    reason = run.no_energy_accuracy if quantity == "energy" else run.meter.unknown("current")
    method = CHARGE if quantity == "charge" else ENERGY if power.v is not None else POWER_ENERGY
    return Integral(
        abs(value) if part == "against" else value,
        unit,
        budget,
        reason,
        (float(power.t[a]), float(power.t[b])),
        Account(power=power.source, counted=counted, numbers=numbers),
        tuple(warnings),
        method,
        frozenset(flags),
    )


def sampling_parts(run: Prepared, quantity: str, a: int, b: int) -> tuple[Contribution, ...]:
    """What an integral from kept sample a to b owes to its edges, to edges within, and to scatter between samples.

    Args:
        run: the prepared run, which has an electrical track.
        quantity: `energy` [Wh] or `charge` [Ah].
        a: first kept sample; an edge of the load after it counts.
        b: last kept sample.
    """
    power, window = run.signals.power, run.window
    if power is None:
        return ()
    y = power.p if quantity == "energy" or power.i is None else power.i
    first, last, parts = a, b, []
    if window is not None and a < window.a <= b:
        first = window.a
        edge = edge_before(power.t, power.is_gap, first)
        parts.append(edge_weight("load on", edge, float(y[first] - y[first - 1]) / HOUR_S))
    if window is not None and first <= window.b < b:
        last = window.b
        edge = edge_after(power.t, power.is_gap, last)
        parts.append(edge_weight("load off", edge, float(y[last] - y[last + 1]) / HOUR_S))
    within = slice(first, last + 1)
    scatter, edges = sampling_u(
        power.t[within], y[within], power.is_gap[first:last], grain_s=run.signals.step_s if power.grain_s else 0.0
    )
    parts.append(scatter_part(scatter / HOUR_S, "between samples, from second differences"))
    if edges > 0.0:
        parts.append(
            Contribution("edges within", edges / HOUR_S, "B", "rectangular", "levels that change within the log")
        )
    return tuple(parts)


def _budget(
    run: Prepared, quantity: str, value: float, step: float, *, span: tuple[int, int], part: str
) -> tuple[Contribution, ...]:
    power = run.signals.power
    if power is None:
        return ()
    a, b = span
    share = 1.0
    if part and power.is_both_ways:
        along, against = power.integral("charge_along", a, b), -power.integral("charge_against", a, b)
        both = along + against
        share = (along if part == "along" else against) / both if both > 0.0 else 0.0
    if power.v is None:
        hours = power.integral("hours", a, b)
        return logged_energy_budget(run.meter, energy=value, hours=hours, half=value - step)
    if quantity == "charge":
        return charge_budget(run.meter, charge=value, hours=share * power.integral("hours", a, b), half=value - step)
    charge = power.integral(f"charge_{part}" if part and power.is_both_ways else "charge", a, b)
    volt_hours = share * power.integral("volt_hours", a, b)
    return energy_budget(run.meter, energy=value, charge=charge, volt_hours=volt_hours, half=value - step)


def integral_result(
    name: str, part: Integral, *, warnings: tuple[str, ...] = (), flags: frozenset[Flag] = frozenset()
) -> Result:
    """An integral as a result."""
    return part.method.found(
        name,
        part.value,
        part.unit,
        budget=part.budget,
        reason=part.reason,
        span=part.span,
        account=part.account,
        warnings=(*part.warnings, *warnings),
        flags=part.flags | flags,
    )


def reduce(run: Prepared) -> Found:
    """Net energy and charge of the whole run; both directions apart; counters held against the integrals."""
    power = run.signals.power
    if power is None or len(power.t) < 2:
        reason = run.no_load if power is None else "one sample has no energy"
        return Found((ENERGY.absent("energy_wh", "Wh", reason), CHARGE.absent("charge_ah", "Ah", reason)))
    last = len(power.t) - 1
    checks = _power_check(run.signals, power, run)
    energy = integrate(run, "energy", 0, last)
    out = [integral_result("energy_wh", energy, warnings=(*checks, *_counter_warning(run, "energy_wh", energy.value)))]
    if power.i is None:
        out.append(CHARGE.absent("charge_ah", "Ah", _no_charge(run)))
    else:
        charge = integrate(run, "charge", 0, last)
        out.append(integral_result("charge_ah", charge, warnings=_counter_warning(run, "charge_ah", charge.value)))
    for name, value in (("energy_wh", energy.value), ("charge_ah", out[1].value)):
        if value is not None and (check := _counter_result(run, name, value)) is not None:
            out.append(check)
    if power.is_both_ways or run.context.kind == "pass-through":
        out.extend(_by_direction(run, power, last))
    return Found(tuple(out))


def _no_charge(run: Prepared) -> str:
    """Why a run that logged power has no charge."""
    volts = run.signals.series.get("voltage_v")
    if volts is not None and is_alternating(volts.y):
        return "alternating current moves no net charge"
    return "the log has no current" if "current_a" not in run.signals.series else "no sample has voltage and current"


def _by_direction(run: Prepared, power: Electrical, last: int) -> list[Result]:
    """energy_out_wh, energy_in_wh and charges over the whole run, for runs with both directions.

    Discharge and recharge make their own main direction over the load window.
    """
    out: list[Result] = []
    along, against = ("in", "out") if run.context.direction == "in" else ("out", "in")
    own = {"discharge": "out", "recharge": "in"}.get(run.context.kind or "")
    for part, word in (("along", along), ("against", against)):
        if word == own:
            continue
        for quantity, unit in (("energy", "wh"), ("charge", "ah")):
            name = f"{quantity}_{word}_{unit}"
            if part == "against" and not power.is_both_ways:
                reason = "current never flowed that way by more than the meter's offset"
                out.append(
                    (ENERGY if quantity == "energy" else CHARGE).absent(name, "Wh" if unit == "wh" else "Ah", reason)
                )
            elif power.i is not None:
                out.append(integral_result(name, integrate(run, quantity, 0, last, part)))
    return out


def _power_check(signals: Signals, power: Electrical, run: Prepared) -> tuple[str, ...]:
    """Warns where logged power and V x I differ in the median by more than 1 % or the meter's accuracy.

    Not where a power factor was logged: there V x I is apparent power, and is meant to be larger.
    """
    logged = signals.series.get("power_w")
    if power.source is not Power.PRODUCT or logged is None or "power_factor" in run.trace.channels:
        return ()
    if len(logged.t) == len(power.t):
        ours, theirs = power.p, logged.y
    else:
        where = np.searchsorted(power.t, logged.t).clip(0, len(power.t) - 1)
        same = power.t[where] == logged.t
        ours, theirs = power.p[where[same]], logged.y[same]
    near = ours > 0.5 * float(np.max(ours)) if len(ours) else np.zeros(0, dtype=bool)
    if not near.any():
        return ()
    off = median(theirs[near] / ours[near] - 1.0)
    meter = run.meter
    stated = (meter.voltage.reading_share if meter.voltage else 0.0) + (
        meter.current.reading_share if meter.current else 0.0
    )
    if abs(off) <= max(run.limits["power_disagreement"], stated):
        return ()
    return (f"the meter's own power is {off * 100:+.1f} % off V x I (median): check that all three belong together",)


def counter_notes(run: Prepared, name: str) -> tuple[str, ...]:
    """What the meter's own counter says against the integral of the whole log, for a result that is a part of it.

    Args:
        run: the prepared run.
        name: `energy_wh` or `charge_ah`.
    """
    power = run.signals.power
    quantity = name.partition("_")[0]
    if power is None or len(power.t) < 2 or (quantity == "charge" and power.i is None):
        return ()
    return _counter_warning(run, name, integrate(run, quantity, 0, len(power.t) - 1).value)


def _counter_gain(run: Prepared, name: str) -> tuple[float, float, float] | None:
    series = run.signals.series.get(name)
    if series is None or len(series) < 2:
        return None
    return float(series.y[-1] - series.y[0]), float(series.t[0]), float(series.t[-1])


def _counter_off(run: Prepared, name: str, value: float) -> float | None:
    gain = _counter_gain(run, name)
    if gain is None or abs(value) <= 0.0:
        return None
    return gain[0] / value - 1.0


def _counter_warning(run: Prepared, name: str, value: float) -> tuple[str, ...]:
    off = _counter_off(run, name, value)
    if off is None or abs(off) <= run.limits["counter_disagreement"]:
        return ()
    return (f"the meter's own counter is {off * 100:+.1f} % off the integral of the samples",)


def _counter_result(run: Prepared, name: str, value: float) -> Result | None:
    """counter_energy_wh or counter_charge_ah: what the meter itself counted."""
    gain = _counter_gain(run, name)
    if gain is None:
        return None
    off = _counter_off(run, name, value)
    unit = "Wh" if name == "energy_wh" else "Ah"
    account = Account(numbers={"integral": value})
    if off is not None and math.isfinite(off):
        account = account.plus(difference_percent=off * 100.0)
    return CHECK.found(
        f"counter_{name}",
        gain[0],
        unit,
        span=gain[1:],
        account=account,
        reason="the accuracy of the meter's counter is not stated",
    )


_CHARGE = "step * (i1 + i2) / 2"
_ENERGY_CUT = "step * x * i1 * (2*v1 + v1 + x * (v2 - v1)) / 6"
_CHARGE_CUT = "step * x * i1 / 2"


def redo_energy(place: Place) -> str:
    """An energy over the span, from V and I or from the logged power."""
    if place.is_product:
        return _integral(place, BILINEAR, _ENERGY_CUT, ("wh", "p"))
    return _integral(place, POWER, "", ("wh", "p"))


def redo_charge(place: Place) -> str:
    """A charge over the span."""
    return _integral(place, _CHARGE, _CHARGE_CUT, ("ah", "i"))


def redo_scaled_energy(place: Place, factor: float) -> str:
    """An energy over the span, times a factor from the device's sheet."""
    result = place.result
    inner = redo_energy(Place(replace(result, name="energy_wh"), place.run_id, place.file))
    return f"SELECT {number(factor)} * energy_wh AS {result.name} FROM (\n{inner}\n)"


def _integral(place: Place, whole: str, cut: str, counter: tuple[str, str]) -> str:
    """An integral over steps; across a gap what the meter's counter gained; by direction where both occur."""
    name = place.result.name
    part = place.account.counted
    if part in (Counted.ALONG, Counted.AGAINST):
        sign, pick = ("", "greatest") if part is Counted.ALONG else ("-", "least")
        first, rest = f"{cut}", f"{whole} - {cut}"
        smooth = f" AND NOT ({JUMP})" if whole is BILINEAR else ""
        along = f"CASE WHEN i1 > 0 THEN {first} ELSE {rest} END"
        against = f"CASE WHEN i1 > 0 THEN {rest} ELSE {first} END"
        crossing = along if part is Counted.ALONG else against
        return (
            f"{place.steps()}, cut AS (SELECT *, i1 / nullif(i1 - i2, 0) AS x FROM steps)\n"
            f"SELECT {sign}sum(CASE WHEN i1 * i2 < 0{smooth} THEN {crossing}\n"
            f"  ELSE {pick}({whole}, 0) END) / 3600 AS {name}\n"
            f"FROM cut, usual WHERE step <= longest AND {place.within('from_s', 'to_s')}"
        )
    word, peak = counter
    gain = f"CASE WHEN {word}2 < 0.1 * {word}1 THEN {word}2 ELSE {word}2 - {word}1 END"
    fits = f"{gain} BETWEEN 0 AND 1.5 * (SELECT max({peak}) FROM samples) * step / 3600"
    counted = f"\n  WHEN {fits} THEN {gain}" if part is None else ""
    rest_s = place.account.numbers.get("after_last_s")
    level = f"(SELECT arg_max({peak}, n) FROM samples WHERE {place.within()})"
    after = f"\n  + any_value({level}) * {number(float(rest_s))} / 3600" if rest_s else ""
    if tail := place.account.numbers.get(TAIL):
        after = f"\n  + {number(float(tail))}  -- half of an exponential tail beyond the end of the intake\n "
    return (
        f"{place.steps()}\nSELECT sum(CASE WHEN step <= longest THEN ({whole}) / 3600"
        f"{counted} ELSE 0 END){after} AS {name}\n"
        f"FROM steps, usual WHERE {place.within('from_s', 'to_s')}"
    )


def _redo_counter(place: Place) -> str:
    """What the meter's own counter gained; after a fall to under a tenth it goes on from where it was."""
    channel = place.result.name.removeprefix("counter_")
    return (
        f"WITH counted AS (\n  SELECT {place.channel(channel)} AS y, lag(y) OVER (ORDER BY file_row_number) AS was\n"
        f"  FROM {place.source} AND {channel} IS NOT NULL\n)\n"
        f"SELECT sum(CASE WHEN y < was AND y < 0.1 * was AND was > 0 THEN y ELSE y - was END) AS {place.result.name}\n"
        "FROM counted"
    )


ENERGY_WH = ResultSpec(
    "energy_wh",
    "energy",
    "Wh",
    glance=10,
    runs_column=True,
    filter_words={"wh": 1.0},
    rests_on=("power_disagreement", "counter_disagreement"),
    redo=redo_energy,
)
CHARGE_AH = ResultSpec(
    "charge_ah",
    "charge",
    "Ah",
    glance=20,
    runs_column=True,
    filter_words={"ah": 1.0},
    rests_on=("counter_disagreement",),
    redo=redo_charge,
)
SPECS = (
    ENERGY_WH,
    CHARGE_AH,
    ResultSpec(
        f"counter_{ENERGY_WH.name}",
        "energy by the meter's counter",
        "Wh",
        short="meter's energy",
        glance=None,
        redo=_redo_counter,
    ),
    ResultSpec(
        f"counter_{CHARGE_AH.name}",
        "charge by the meter's counter",
        "Ah",
        short="meter's charge",
        glance=None,
        redo=_redo_counter,
    ),
)
REDUCERS = (Reducer("energy", EVERY, reduce, METHODS, place=10),)
