"""Where a port let go under a rising load, and whether it came back. Knows arrays only.

Overloading a port can start a fire: do it attended, on a surface that does not burn, and only where the
maker's and the local rules allow it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from store.methods.method import Found, Method, Reducer
from store.methods.sql_parts import MEDIAN_3, Place, clock, number
from store.model.results import Account, Array, Event, Result
from store.model.spec import ResultSpec, Shown
from store.signal.prepared import Prepared
from store.signal.signals import Electrical
from store.signal.statistics import median_of_three
from store.signal.trips import Trip, find_return, find_trip
from store.uncertainty.budget import power_budget, reading_budget, scaled, time_budget
from store.usb.source_windows import transient_window
from store.words.facts import parse_mode

__all__ = ["METHODS", "REDUCERS", "SPECS", "reduce"]

TRIP = Method(
    "trip",
    1,
    "largest median of three samples before the voltage fell under 80 % of nominal or the current under a tenth "
    "of its largest",
)
RECOVERY = Method(
    "recovery",
    2,
    "whether voltage came back within the log, by itself: over 80 % of nominal, or steady for 2 s at another voltage "
    "of 4.25 V or more with the load gone (a port that has let go offers 5 V first)",
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
        reason = "the log has no voltage and current together"
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
        return Found((*absent, _over_rating(run, power, i3, len(power.t) - 1)))
    notes = _notes(run, trip)
    account = Account(
        numbers={"nominal_v": nominal, "trip_at_s": float(power.t[trip.at])}, told={"nominal_from": source}
    )
    back = _back(run, trip, Tracks(power.t, power.p3, v3, i3), nominal)
    results = [
        *_trip_values(run, trip, Tracks(power.t, power.p3, v3, i3), notes=notes, account=account),
        _over_rating(run, power, i3, trip.at),
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
    level = float(np.median(light)) if len(light) else float(np.median(v3))
    return level, "median voltage at light load: no single voltage is stated as the mode"


def _notes(run: Prepared, trip: Trip) -> tuple[str, ...]:
    out = []
    if trip.fall_s > max(run.limits["trip_within_s"], 1.01 * run.signals.step_s):
        out.append(f"it let go slowly, over {trip.fall_s:.1f} s: current limiting rather than a trip")
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


def _trip_values(
    run: Prepared, trip: Trip, tracks: Tracks, *, notes: tuple[str, ...], account: Account
) -> list[Result]:
    before = slice(0, trip.at)
    amps, watts = float(tracks.i3[before].max()), float(tracks.p3[before].max())
    volts = float(tracks.v3[trip.at - 1])
    span = (float(tracks.t[0]), float(tracks.t[trip.at]))
    meter = run.meter
    amps_budget = reading_budget("I", meter.current, amps, "A", meter.label)
    rated = run.context.rated_current_a
    out = [
        TRIP.found(
            "trip_current_a",
            amps,
            "A",
            budget=amps_budget,
            reason=meter.unknown("current"),
            span=span,
            account=account,
            warnings=notes,
        ),
        TRIP.found(
            "trip_power_w",
            watts,
            "W",
            budget=power_budget(meter, power=watts, volts=watts / amps if amps > 0.0 else 0.0, amps=amps),
            reason=meter.unknown("voltage", "current"),
            span=span,
            account=account,
            warnings=notes,
        ),
        TRIP.found(
            "voltage_at_trip_v",
            volts,
            "V",
            budget=reading_budget("V", meter.voltage, volts, "V", meter.label),
            reason=meter.unknown("voltage"),
            span=span,
            account=account,
        ),
    ]
    if not rated:
        out.append(TRIP.absent("trip_ratio", "1", "what the port advertises in this mode is not stated"))
        return out
    out.append(
        TRIP.found(
            "trip_ratio", amps / rated, "1", budget=scaled(amps_budget, 1.0 / rated),
            reason=meter.unknown("current"), span=span,
            account=account.plus(trip_current_a=amps, rated_current_a=rated), warnings=notes,
        )
    )  # fmt: skip
    return out


def _over_rating(run: Prepared, power: Electrical, i3: Array, until: int) -> Result:
    rated = run.context.rated_current_a
    if not rated:
        return TRIP.absent("over_rating_s", "s", "what the port advertises in this mode is not stated")
    dt = np.where(power.is_gap[:until], 0.0, np.diff(power.t[: until + 1]))
    over = float(dt[i3[:until] > rated].sum())
    return TRIP.found(
        "over_rating_s",
        over,
        "s",
        budget=time_budget(run.signals.step_s, 2),
        span=(float(power.t[0]), float(power.t[until])),
        account=Account(numbers={"rated_current_a": rated, "trip_at_s": float(power.t[until])}),
    )


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
    """Largest median of three before the trip, whose moment the account names; time over the rating likewise."""
    name, at = place.result.name, place.account.numbers.get("trip_at_s")
    if at is None:
        return None
    before = f"t_s < {number(at)}"
    if name == "over_rating_s":
        rated = number(place.given("rated_current_a"))
        return (
            f"{_redo_medians(place)}, timed AS (\n"
            "  SELECT t_s, i3, lead(t_s) OVER (ORDER BY n) - t_s AS step FROM quiet\n)\n"
            f"SELECT coalesce(sum(step) FILTER (i3 > {rated} AND step <= longest AND {before}), 0) AS {name}\n"
            "FROM timed, usual"
        )
    what = {"trip_current_a": "max(i3)", "trip_power_w": "max(p3)", "voltage_at_trip_v": "arg_max(v3, n)"}.get(name)
    if name == "trip_ratio":
        what = f"max(i3) / {number(place.given('rated_current_a'))}"
    return f"{_redo_medians(place)}\nSELECT {what} AS {name} FROM quiet WHERE {before}"


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
