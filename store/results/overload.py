"""Where a port let go under a rising load, and whether it came back. Knows arrays only.

Overloading a port can start a fire: do it attended, on a surface that does not burn, and only where the
maker's and the local rules allow it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from store.results.base import Array, Event, Result
from store.results.budget import power_budget, reading_budget, scaled, time_budget
from store.results.facts import parse_mode
from store.results.method import Found, Method
from store.results.prepared import Prepared
from store.results.signals import Electrical
from store.results.statistics import median_of_three

__all__ = ["METHODS", "Trip", "find_trip", "reduce"]

TRIP = Method(
    "trip",
    1,
    "largest median of three samples before the voltage fell under 80 % of nominal or the current under a tenth "
    "of its largest",
)
RECOVERY = Method("recovery", 1, "whether voltage came back over 80 % of nominal within the log, by itself")
METHODS = (TRIP, RECOVERY)

NAMES = (
    ("trip_current_a", "A"),
    ("trip_power_w", "W"),
    ("trip_ratio", "1"),
    ("over_rating_s", "s"),
    ("voltage_at_trip_v", "V"),
    ("recovery", ""),
)


@dataclass(frozen=True, slots=True)
class Trip:
    """A trip: the first sample after the fall, how long the fall took, and the first sample back (or None)."""

    at: int
    fall_s: float
    back: int | None
    voltage_stayed: bool
    """The current ended with the voltage still there: the load may have been taken off."""


def find_trip(
    t: Array, v3: Array, i3: Array, nominal_v: float, *, voltage_share: float, current_share: float
) -> Trip | None:
    """First fall of voltage under a share of nominal, or of current under a share of its largest so far.

    Args:
        t: n times [s].
        v3: n voltages [V], medians of three.
        i3: n currents [A], medians of three.
        nominal_v: nominal voltage [V].
        voltage_share: 0.8.
        current_share: 0.1.

    Returns:
        The trip, or None. A fall counts after the voltage was up and the current had passed half of its largest.
    """
    peak = np.maximum.accumulate(i3)
    loaded = peak >= 0.5 * float(i3.max())
    up = v3 >= voltage_share * nominal_v
    was_up = np.logical_or.accumulate(up)
    low_v = was_up & ~up & loaded
    low_i = loaded & (i3 < current_share * peak)
    fell = low_v | low_i
    if not fell.any():
        return None
    at = int(np.argmax(fell))
    if at == 0:
        return None
    whole = (v3[:at] >= 0.95 * nominal_v * 0.95) & (i3[:at] >= 0.9 * peak[:at])
    last_whole = int(np.flatnonzero(whole)[-1]) if whole.any() else at - 1
    soon = int(np.searchsorted(t, t[at] + 2.0, side="right"))
    stayed = bool((v3[max(at - 1, 0) : max(soon, at + 2)] >= 0.95 * nominal_v).all())
    back = None
    if low_v[at:soon].any():
        down = at + int(np.argmax(low_v[at:soon]))
        again = up[down:-1] & up[down + 1 :]
        back = down + int(np.argmax(again)) if again.any() else None
    return Trip(at, float(t[at] - t[last_whole]), back, stayed)


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
    inputs: dict[str, float | str] = {
        "nominal_v": nominal,
        "nominal from": source,
        "trip_at_s": float(power.t[trip.at]),
    }
    results = [
        *_trip_values(run, trip, Tracks(power.t, power.p3, v3, i3), notes=notes, inputs=inputs),
        _over_rating(run, power, i3, trip.at),
        _recovery(power, trip),
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
    if trip.back is not None:
        events.append(
            Event("recovery", float(power.t[trip.back]), float(power.t[trip.back]), float(v3[trip.back]), "V")
        )
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
    run: Prepared, trip: Trip, tracks: Tracks, *, notes: tuple[str, ...], inputs: dict[str, float | str]
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
            inputs=inputs,
            warnings=notes,
        ),
        TRIP.found(
            "trip_power_w",
            watts,
            "W",
            budget=power_budget(meter, power=watts, volts=watts / amps if amps > 0.0 else 0.0, amps=amps),
            reason=meter.unknown("voltage", "current"),
            span=span,
            inputs=inputs,
            warnings=notes,
        ),
        TRIP.found(
            "voltage_at_trip_v",
            volts,
            "V",
            budget=reading_budget("V", meter.voltage, volts, "V", meter.label),
            reason=meter.unknown("voltage"),
            span=span,
            inputs=inputs,
        ),
    ]
    if not rated:
        out.append(TRIP.absent("trip_ratio", "1", "what the port advertises in this mode is not stated"))
        return out
    out.append(
        TRIP.found(
            "trip_ratio", amps / rated, "1", budget=scaled(amps_budget, 1.0 / rated),
            reason=meter.unknown("current"), span=span,
            inputs={"trip_current_a": amps, "rated_current_a (maker's)": rated}, warnings=notes,
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
        inputs={"rated_current_a (maker's)": rated},
    )


def _recovery(power: Electrical, trip: Trip) -> Result:
    span = (float(power.t[trip.at]), float(power.t[-1]))
    if trip.voltage_stayed:
        return RECOVERY.words("recovery", "not needed: the voltage stayed", span=span)
    if trip.back is None:
        return RECOVERY.words("recovery", f"not seen: the log ends {span[1] - span[0]:.0f} s after the trip", span=span)
    after = float(power.t[trip.back] - power.t[trip.at])
    return RECOVERY.words("recovery", f"by itself within the log, after {after:.1f} s", span=span)
