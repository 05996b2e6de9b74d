"""Where a port let go under a rising load, and whether it came back. Knows arrays only.

Overloading a port can start a fire: do it attended, on a surface that does not burn, and only where the
maker's and the local rules allow it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from store.methods.method import Found, Method, Reducer
from store.methods.sql_parts import MEDIAN_3, TAKEN, Place, clock, number
from store.model.results import Account, Array, Contribution, Event, Result
from store.model.spec import ResultSpec, Shown
from store.signal.prepared import Prepared
from store.signal.ramps import Approach, approach_of, is_stepped, ramp_end
from store.signal.signals import Electrical
from store.signal.statistics import median, median_of_three, noise
from store.signal.trips import Trip, find_return, find_trip
from store.uncertainty.budget import power_budget, reading_budget, scaled
from store.uncertainty.sampling import clock_of, moment_part, scatter_part
from store.usb.source_windows import transient_window
from store.words.facts import parse_mode

__all__ = ["METHODS", "REDUCERS", "SPECS", "reduce"]

TRIP = Method(
    "trip",
    2,
    "the rising load before the voltage fell under 80 % of nominal, or the current under a tenth of its largest: the "
    "line through the last samples carried on by half a step; of stairs the mean of the last one, and half of the next "
    "where it was due",
)
RECOVERY = Method(
    "recovery",
    2,
    "whether voltage came back within the log, by itself: over 80 % of nominal, or steady for 2 s at another voltage "
    "of 4.25 V or more with the load gone (a port that has shut off offers 5 V first)",
    "USB PD vSrcValid at 5 V for the least voltage",
)
METHODS = (TRIP, RECOVERY)

NAMES = (
    ("trip_current_a", "A"),
    ("trip_power_w", "W"),
    ("trip_ratio", "1"),
    ("over_rating_s", "s"),
    ("voltage_at_trip_v", "V"),
    ("recovery", ""),
)


def reduce(run: Prepared) -> Found:
    """Section 8 of the results, overload ramp."""
    power = run.signals.power
    if power is None or power.v is None or power.i is None or len(power.t) < 5:
        reason = "voltage and current were not logged together"
        return Found(tuple(TRIP.absent(name, unit, reason) for name, unit in NAMES))
    v3, i3 = median_of_three(power.v), median_of_three(power.i)
    nominal, source = _nominal(run, v3, i3)
    top = float(i3.max())
    trip = find_trip(
        power.t, v3, i3, nominal,
        voltage_share=run.limits["trip_voltage_share"], current_share=run.limits["trip_current_share"],
    ) if top > 0.0 else None  # fmt: skip
    if trip is None:
        reason = f"no trip seen, up to {top:.3g} A and {float(power.p3.max()):.3g} W"
        absent = [TRIP.absent(name, unit, reason) for name, unit in NAMES if name != "over_rating_s"]
        return Found((*absent, _over_rating(run, power, i3, len(power.t) - 1, tripped=False)))
    notes = _notes(run, trip)
    account = Account(
        numbers={"nominal_v": nominal, "trip_at_s": float(power.t[trip.at])}, told={"nominal_from": source}
    )
    back = _back(run, trip, Tracks(power.t, power.p3, v3, i3), nominal)
    results = [
        *_trip_values(run, trip, power, notes=notes, account=account),
        _over_rating(run, power, i3, trip.at, tripped=True),
        _recovery(power, trip, back),
    ]
    at = float(power.t[trip.at])
    events = [
        Event(
            "trip",
            float(power.t[trip.at - 1]),
            at,
            float(i3[: trip.at].max()),
            "A",
            f"at {float(power.p3[: trip.at].max()):.3g} W",
        )
    ]
    if back is not None:
        when = float(power.t[back.at])
        events.append(Event("recovery", when, when, back.voltage_v, "V", "" if back.is_same else "at another voltage"))
    return Found(tuple(results), tuple(events))


def _nominal(run: Prepared, v3: Array, i3: Array) -> tuple[float, str]:
    mode = parse_mode(run.context.mode)
    if mode is not None and mode.nominal_v is not None:
        return mode.nominal_v, f"mode {run.context.mode}"
    light = v3[(i3 <= 0.5 * float(i3.max())) & (v3 > 0.25 * float(v3.max()))]
    level = median(light) if len(light) else median(v3)
    return level, "median voltage at light load: no single voltage is stated as the mode"


def _notes(run: Prepared, trip: Trip) -> tuple[str, ...]:
    out = []
    if trip.fall_s > max(run.limits["trip_within_s"], 1.01 * run.signals.step_s):
        out.append(f"it shut off slowly, over {trip.fall_s:.1f} s: current limiting rather than a trip")
    if trip.voltage_stayed:
        out.append("the voltage stayed while the current ended: the load was taken off, or the port came back at once")
    return tuple(out)


@dataclass(frozen=True, slots=True)
class Tracks:
    """Times [s], and power, voltage and current as medians of three; n values each."""

    t: Array
    p3: Array
    v3: Array
    i3: Array


@dataclass(frozen=True, slots=True)
class AtTrip:
    """A quantity at the trip, its budget beside the meter's, and what an account keeps of it."""

    value: float
    parts: tuple[Contribution, ...]
    numbers: dict[str, float]


def _at_trip(power: Electrical, y: Array, way: Approach) -> AtTrip:
    """A quantity when the port let go: along the ramp, or on the stairs, that the current took."""
    used = slice(way.first, way.last + 1)
    t, part = power.t[used], y[used]
    numbers = {"ramp_from_s": float(t[0]), "ramp_to_s": float(t[-1])}
    if not way.is_stairs:
        end = ramp_end(t, part, way.step_s)
        parts = (
            scatter_part(end.u_scatter, f"{end.samples} samples about a line", end.dof if end.samples > 2 else None),
            Contribution(
                "ramp", end.u_step, "B", "rectangular",
                f"{end.rate:.3g} per s, and the trip anywhere in a step of {way.step_s:.3g} s",
            ),
        )  # fmt: skip
        return AtTrip(end.value, parts, {**numbers, "trip_moment_s": end.at_s})
    spread = noise(y[max(way.first - 20, 0) : way.last + 1])
    lines = [scatter_part(spread / math.sqrt(len(part)), f"{len(part)} samples of the last stair")]
    height = _stair_height(y, way) if way.is_due else 0.0
    if height:
        told = "the next stair was due: its level or the last one"
        lines.append(Contribution("next stair", abs(height) / math.sqrt(12.0), "B", "rectangular", told))
    return AtTrip(float(part.mean()) + 0.5 * height, tuple(lines), {**numbers, "half_stair": 0.5 * height})


def _stair_height(y: Array, way: Approach) -> float:
    """By how much the quantity changed at the last stair."""
    if way.first == 0:
        return 0.0
    before = y[max(way.first - 3, 0) : way.first]
    return median(y[way.first : way.last + 1]) - median(before)


def _trip_values(
    run: Prepared, trip: Trip, power: Electrical, *, notes: tuple[str, ...], account: Account
) -> list[Result]:
    if power.v is None or power.i is None:
        return []
    last = max(int(np.searchsorted(power.t, power.t[trip.at] - trip.fall_s, side="right")) - 1, 0)
    way = approach_of(power.t, power.i, min(last, trip.at - 1))
    amps, watts, volts = (_at_trip(power, y, way) for y in (power.i, power.p, power.v))
    span = (float(power.t[0]), float(power.t[trip.at]))
    meter = run.meter
    amps_budget = reading_budget("I", meter.current, amps.value, "A", meter.label)
    amps_budget = (*amps_budget, *amps.parts) if amps_budget else ()
    rated = run.context.rated_current_a
    around = watts.value / amps.value if amps.value > 0.0 else 0.0
    watts_budget = power_budget(meter, power=watts.value, volts=around, amps=amps.value)
    volts_budget = reading_budget("V", meter.voltage, volts.value, "V", meter.label)
    out = [
        TRIP.found(
            "trip_current_a",
            amps.value,
            "A",
            budget=amps_budget,
            reason=meter.unknown("current"),
            span=span,
            account=account.plus(**amps.numbers),
            warnings=notes,
        ),
        TRIP.found(
            "trip_power_w",
            watts.value,
            "W",
            budget=(*watts_budget, *watts.parts) if watts_budget else (),
            reason=meter.unknown("voltage", "current"),
            span=span,
            account=account.plus(**watts.numbers),
            warnings=notes,
        ),
        TRIP.found(
            "voltage_at_trip_v",
            volts.value,
            "V",
            budget=(*volts_budget, *volts.parts) if volts_budget else (),
            reason=meter.unknown("voltage"),
            span=span,
            account=account.plus(**volts.numbers),
        ),
    ]
    if not rated:
        out.append(TRIP.absent("trip_ratio", "1", "what the port advertises in this mode is not stated"))
        return out
    out.append(
        TRIP.found(
            "trip_ratio", amps.value / rated, "1", budget=scaled(amps_budget, 1.0 / rated),
            reason=meter.unknown("current"), span=span,
            account=account.plus(trip_current_a=amps.value, rated_current_a=rated, **amps.numbers), warnings=notes,
        )
    )  # fmt: skip
    return out


def _over_rating(run: Prepared, power: Electrical, i3: Array, until: int, *, tripped: bool) -> Result:
    """Time over the rating: the part of each step for which the line between its samples is over it."""
    rated = run.context.rated_current_a
    if not rated:
        return TRIP.absent("over_rating_s", "s", "what the port advertises in this mode is not stated")
    last = until - 1 if tripped else until
    t, amps = power.t[: last + 1], i3[: last + 1]
    dt = np.where(power.is_gap[:last], 0.0, np.diff(t))
    low, high = np.minimum(amps[:-1], amps[1:]), np.maximum(amps[:-1], amps[1:])
    rise = np.where(high > low, high - low, 1.0)
    over = float((dt * np.where(high > low, np.clip((high - rated) / rise, 0.0, 1.0), low > rated)).sum())
    half = 0.5 * float(power.t[until] - power.t[last]) if tripped and amps[-1] > rated else 0.0
    parts = [clock_of(run.meter, over + half)]
    if half:
        parts.append(moment_part("trip", 2.0 * half))
    parts += _crossing_parts(run, power, amps, rated)
    return TRIP.found(
        "over_rating_s",
        over + half,
        "s",
        budget=parts if run.meter.current is not None or not over else (),
        reason=run.meter.unknown("current"),
        span=(float(power.t[0]), float(power.t[until])),
        account=Account(numbers={"rated_current_a": rated, "trip_at_s": float(power.t[until]), "half_step_s": half}),
    )


def _crossing_parts(run: Prepared, power: Electrical, amps: Array, rated: float) -> list[Contribution]:
    """When the rising current passed the rating: the meter's error and the noise, over how fast it rose there."""
    over = np.flatnonzero((amps[:-1] <= rated) & (amps[1:] > rated))
    accuracy = run.meter.current
    if not len(over) or accuracy is None:
        return []
    k = int(over[-1])
    a, b = k, k
    while a > 0 and k - a < 200 and amps[a] > 0.9 * rated:
        a -= 1
    while b < len(amps) - 1 and b - k < 200 and amps[b] < 1.1 * rated:
        b += 1
    rate = (float(amps[b]) - float(amps[a])) / max(float(power.t[b] - power.t[a]), 1e-9)
    if rate <= 0.0:
        return []
    detail = f"over {rate:.3g} A/s"
    return [
        Contribution("accuracy of I", accuracy.reading_u(rated) / rate, "B", "rectangular", detail, is_common=True),
        Contribution("noise", noise(amps) / rate, "A", "normal", detail),
        moment_part("rating passed", float(power.t[k + 1] - power.t[k])) if is_stepped(amps[a : b + 1])
        else Contribution("time step", 0.0, "B", "rectangular", "the line between two samples of a ramp"),
    ]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Return:
    """The port came back: at which sample, at which voltage, and whether that is the one it had."""

    at: int
    voltage_v: float
    is_same: bool


def _back(run: Prepared, trip: Trip, tracks: Tracks, nominal: float) -> Return | None:
    """How the port came back: at its voltage, or at another one that a port offers."""
    if trip.voltage_stayed or trip.down is None:
        return None
    other = find_return(
        tracks.t,
        tracks.v3,
        tracks.i3,
        trip.down,
        least_v=min(transient_window(5.0).lower, run.limits["trip_voltage_share"] * nominal),
        hold_s=run.limits["mode_change_hold_s"],
        band=0.5 * run.limits["mode_change_share"],
        load_a=run.limits["trip_current_share"] * float(tracks.i3.max()),
    )
    if trip.back is not None and (other is None or trip.back <= other[0]):
        return Return(trip.back, float(tracks.v3[trip.back]), is_same=True)
    if other is None:
        return None
    return Return(*other, is_same=other[1] >= run.limits["trip_voltage_share"] * nominal)


def _recovery(power: Electrical, trip: Trip, back: Return | None) -> Result:
    span = (float(power.t[trip.at]), float(power.t[-1]))
    if trip.voltage_stayed:
        return RECOVERY.words("recovery", "not needed: the voltage stayed", span=span)
    if back is None:
        return RECOVERY.words("recovery", f"not seen: the log ends {span[1] - span[0]:.0f} s after the trip", span=span)
    after = float(power.t[back.at] - power.t[trip.at])
    account = Account(numbers={"after_s": after, "voltage_v": back.voltage_v})
    words = f"by itself within the log, after {after:.1f} s"
    if not back.is_same:
        words += f", at {back.voltage_v:.3g} V: a new contract must be made"
    return RECOVERY.words("recovery", words, span=span, account=account)


def _redo_trip(place: Place) -> str | None:
    """The line or the stair before the trip, whose samples the account names; time over the rating."""
    name, numbers = place.result.name, place.account.numbers
    at = numbers.get("trip_at_s")
    if at is None:
        return None
    if name == "over_rating_s":
        rated = number(place.given("rated_current_a"))
        last = "<" if numbers.get("half_step_s") else "<="
        return (
            f"{_redo_medians(place)}, timed AS (\n"
            "  SELECT t_s, least(i3, lead(i3) OVER w) AS low, greatest(i3, lead(i3) OVER w) AS high,\n"
            "         lead(t_s) OVER w AS next_s, next_s - t_s AS step FROM quiet WINDOW w AS (ORDER BY n)\n)\n"
            "SELECT coalesce(sum(step * CASE\n"
            f"  WHEN high > low THEN least(greatest((high - {rated}) / (high - low), 0), 1)\n"
            f"  WHEN low > {rated} THEN 1 ELSE 0 END) FILTER (step <= longest AND next_s {last} {number(at)}), 0)\n"
            f"  + {number(numbers.get('half_step_s', 0.0))} AS {name}\nFROM timed, usual"
        )
    y = {"trip_power_w": "p", "voltage_at_trip_v": "v"}.get(name, "i")
    span = f"t_s BETWEEN {number(place.given('ramp_from_s'))} AND {number(place.given('ramp_to_s'))}"
    if "half_stair" in numbers:
        what = f"avg({y}) + {number(numbers['half_stair'])}"
    else:
        x = f"t_s - {number(place.given('trip_moment_s'))}"
        what = f"CASE WHEN count(*) < 3 THEN arg_max({y}, n) ELSE regr_intercept({y}, {x}) END"
    if name == "trip_ratio":
        what = f"({what}) / {number(place.given('rated_current_a'))}"
    return f"{TAKEN}{place.track()}\nSELECT {what} AS {name} FROM samples WHERE {span}"


def _redo_medians(place: Place) -> str:
    """Medians of three of voltage, current and power: parts of a WITH."""
    medians = ",\n         ".join(f"{MEDIAN_3.format(y=y)} AS {y}3" for y in "vip")
    return (
        f"{clock(place)}, {place.track().removeprefix('WITH ')}, quiet AS (\n  SELECT t_s, n, {medians}\n"
        "  FROM samples WINDOW w AS (ORDER BY n)\n)"
    )


_RESTS = ("trip_voltage_share", "trip_current_share", "trip_within_s")
_KIND = ("overload",)

SPECS = (
    ResultSpec(
        "trip_current_a",
        "trip current",
        "A",
        kinds=_KIND,
        on_page={"overload": 10},
        glance=100,
        runs_column=True,
        rests_on=_RESTS,
        redo=_redo_trip,
    ),
    ResultSpec(
        "trip_power_w",
        "trip power",
        "W",
        kinds=_KIND,
        on_page={"overload": 20},
        glance=110,
        runs_column=True,
        rests_on=_RESTS,
        redo=_redo_trip,
    ),
    ResultSpec(
        "trip_ratio",
        "trip current / rated current",
        "1",
        short="trip / rated",
        kinds=_KIND,
        on_page={"overload": 30},
        rests_on=_RESTS,
        redo=_redo_trip,
    ),
    ResultSpec(
        "over_rating_s",
        "time over rating",
        "s",
        shown=Shown.DURATION,
        kinds=_KIND,
        on_page={"overload": 40},
        rests_on=_RESTS,
        redo=_redo_trip,
    ),
    ResultSpec("voltage_at_trip_v", "voltage at trip", "V", rests_on=_RESTS, redo=_redo_trip),
    ResultSpec(
        "recovery",
        "recovery",
        "",
        shown=Shown.TEXT,
        rests_on=("trip_voltage_share", "trip_current_share", "mode_change_share", "mode_change_hold_s"),
    ),
)
REDUCERS = (Reducer("overload", _KIND, reduce, METHODS),)
