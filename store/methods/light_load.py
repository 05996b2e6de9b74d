"""Whether a port stays on when little is drawn. Knows arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from store.methods.method import Found, Method, Reducer
from store.methods.sql_parts import TAKEN, Place, found_levels
from store.model.results import Account, Array, Event
from store.model.spec import ResultSpec, Shown
from store.signal.levels import Level, find_levels
from store.signal.prepared import Prepared
from store.signal.statistics import median, median_of_three
from store.uncertainty.budget import reading_budget
from store.uncertainty.sampling import clock_of, moment_part
from store.words.facts import parse_mode

__all__ = ["METHODS", "REDUCERS", "SPECS", "SwitchOff", "find_switch_offs", "reduce"]

LIGHT = Method(
    "light load",
    2,
    "levels of current by change detection; a port stayed on where its voltage held for 60 s at a level, or as long "
    "as the log shows; it switched off where voltage fell under half of nominal; the threshold lies between the two",
)
METHODS = (LIGHT,)

NAMES = (("stayed_on_a", "A"), ("switched_off_a", "A"), ("switch_off_after_s", "s"))


@dataclass(frozen=True, slots=True)
class SwitchOff:
    """A fall of voltage: its first sample under half of nominal, and the level of current before, if it was one."""

    at: int
    current_a: float
    since_s: float
    """When that current began [s]."""
    spans: tuple[tuple[float, ...], ...] = ()
    """The level's settled samples, as an account lists them."""


def find_switch_offs(t: Array, v3: Array, nominal_v: float, off_share: float) -> list[int]:
    """First samples of each stretch under a share of nominal that follows a stretch above it.

    Args:
        t: n times [s].
        v3: n voltages, medians of three.
        nominal_v: nominal voltage [V].
        off_share: 0.5.
    """
    del t
    on = v3 >= off_share * nominal_v
    return [int(k) + 1 for k in np.flatnonzero(on[:-1] & ~on[1:])]


def reduce(run: Prepared) -> Found:
    """Section 8 of the results, light load."""
    power = run.signals.power
    if power is None or power.v is None or power.i is None or len(power.t) < 4:
        reason = "voltage and current were not logged together"
        return Found(tuple(LIGHT.absent(name, unit, reason) for name, unit in NAMES))
    v3, i3 = median_of_three(power.v), median_of_three(power.i)
    mode = parse_mode(run.context.mode)
    high = v3[v3 > 0.25 * float(v3.max())]
    nominal = mode.nominal_v if mode is not None and mode.nominal_v is not None else median(high) if len(high) else 0.0
    if nominal <= 0.0 or not (v3 >= run.limits["off_share"] * nominal).any():
        return Found(tuple(LIGHT.absent(name, unit, "the port was never on") for name, unit in NAMES))
    levels = find_levels(power, run.limits)
    offs = [
        _switch_off(power.t, i3, levels, at) for at in find_switch_offs(power.t, v3, nominal, run.limits["off_share"])
    ]
    return _found(run, power.t, v3, nominal=nominal, levels=levels, offs=offs)


def _switch_off(t: Array, i3: Array, levels: list[Level], at: int) -> SwitchOff:
    """The level that was drawn when the port went off."""
    before = [lv for lv in levels if lv.a < at and (lv.b >= at - 3 or lv.from_s < t[at])]
    if not before:
        return SwitchOff(at, median(i3[max(0, at - 5) : at]), float(t[0]))
    level = before[-1]
    return SwitchOff(at, level.current_a, float(t[level.a]), (level.span,))


def _found(run: Prepared, t: Array, v3: Array, *, nominal: float, levels: list[Level], offs: list[SwitchOff]) -> Found:
    hold = run.limits["on_hold_s"]
    step = run.signals.step_s
    on_share = run.limits["off_share"] * nominal
    held = [
        (lv, float(t[min(lv.b + 1, len(t) - 1)] - t[lv.a]))
        for lv in levels
        if float(v3[lv.a : lv.b + 1].min()) >= on_share and not any(lv.a < off.at <= lv.b + 3 for off in offs)
    ]
    long_held = [(lv, s) for lv, s in held if s >= hold]
    pick = min(long_held or sorted(held, key=lambda x: -x[1])[:1], key=lambda x: x[0].current_a, default=None)
    meter = run.meter
    out = []
    if pick is None:
        out.append(LIGHT.absent("stayed_on_a", "A", "no level was held with the port on"))
    else:
        level, seconds = pick
        note = (
            ()
            if seconds >= hold
            else (f"held for {seconds:.0f} s only, as long as the log shows; {hold:.0f} s are asked for",)
        )
        out.append(
            LIGHT.found(
                "stayed_on_a",
                level.current_a,
                "A",
                budget=reading_budget("I", meter.current, level.current_a, "A", meter.label),
                reason=meter.unknown("current"),
                span=(level.from_s, level.to_s),
                account=Account(numbers={"held_s": seconds}, spans=(level.span,)),
                warnings=note,
            )
        )
    if not offs:
        lowest = min((lv.current_a for lv, _ in held), default=float(np.nan))
        reason = f"it never switched off, down to {lowest * 1000.0:.3g} mA"
        out.extend(LIGHT.absent(name, unit, reason) for name, unit in NAMES[1:])
        return Found(tuple(out))
    worst = max(offs, key=lambda off: off.current_a)
    span = (worst.since_s, float(t[worst.at]))
    out.append(
        LIGHT.found(
            "switched_off_a",
            worst.current_a,
            "A",
            budget=reading_budget("I", meter.current, worst.current_a, "A", meter.label),
            reason=meter.unknown("current"),
            span=span,
            account=Account(numbers={"switch_offs": len(offs)}, spans=worst.spans),
        )
    )
    out.append(
        LIGHT.found(
            "switch_off_after_s",
            span[1] - span[0],
            "s",
            budget=(
                moment_part("level begins", step),
                moment_part("switch-off", step),
                clock_of(run.meter, span[1] - span[0]),
            ),
            span=span,
        )
    )
    events = tuple(
        Event(
            "switch-off",
            float(t[off.at - 1]),
            float(t[off.at]),
            off.current_a,
            "A",
            f"after {float(t[off.at]) - off.since_s:.0f} s",
        )
        for off in offs
    )
    return Found(tuple(out), events)


def _redo_light(place: Place) -> str | None:
    name = place.result.name
    if name == "switch_off_after_s":
        return f"{TAKEN}{place.track()}\nSELECT max(t_s) - min(t_s) AS {name} FROM samples WHERE {place.within()}"
    return f"{found_levels(place)}\nSELECT amps AS {name} FROM level" if place.account.spans else None


_RESTS = ("settle_s", "level_share", "level_min_s", "on_hold_s", "off_share")
_KIND = ("light-load",)

SPECS = (
    ResultSpec(
        "stayed_on_a",
        "lowest current kept on",
        "A",
        short="lowest kept on",
        kinds=_KIND,
        on_page={"light-load": 10},
        rests_on=_RESTS,
        redo=_redo_light,
    ),
    ResultSpec(
        "switched_off_a",
        "highest current at switch-off",
        "A",
        short="switch-off current",
        kinds=_KIND,
        on_page={"light-load": 20},
        rests_on=_RESTS,
        redo=_redo_light,
    ),
    ResultSpec(
        "switch_off_after_s",
        "time to switch-off",
        "s",
        shown=Shown.DURATION,
        kinds=_KIND,
        on_page={"light-load": 30},
        rests_on=_RESTS,
        redo=_redo_light,
    ),
)
REDUCERS = (Reducer("light load", _KIND, reduce, METHODS),)
