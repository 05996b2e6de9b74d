"""What a device's own display says against the meter at the same moment. Knows arrays only."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from store.methods.method import Found, Method, Reducer
from store.methods.sql_parts import BILINEAR, Place
from store.model.results import Account, Array, Contribution, Power, Result, Rule
from store.model.spec import ResultSpec, Shown
from store.signal.prepared import Prepared
from store.signal.statistics import median
from store.uncertainty.budget import difference_part, power_budget, reading_budget
from store.uncertainty.sampling import scatter_part

__all__ = ["JUMP_POINTS", "METHODS", "REDUCERS", "SPECS", "charge_level", "pairs_of", "reduce"]

BIAS = Method("display bias", 2, "mean of display - meter over the readings under load")
SPREAD = Method("display spread", 2, "standard deviation of display - meter over the readings under load")
LARGEST = Method("display's largest error", 1, "largest |display - meter| over the readings under load")
LEVEL = Method(
    "state of charge",
    1,
    "display's % against 100 x (1 - energy delivered so far / energy delivered in all), reading by reading",
)
METHODS = (BIAS, SPREAD, LARGEST, LEVEL)

SIGN = {"sign": "positive where the display promises too much"}
JUMP_POINTS = 10.0
"""A change of over 10 points between readings is a jump."""

_PAIRS: tuple[tuple[str, str, str], ...] = (
    ("voltage", "voltage_v", "V"),
    ("current", "current_a", "A"),
    ("power", "power_w", "W"),
    ("energy", "energy_wh", "Wh"),
)


def pairs_of(shown: Array, meter: Array, usable: Array) -> tuple[Array, Array]:
    """Readings of the display and of the meter at the same samples, where both have a value and `usable` holds."""
    keep = np.isfinite(shown) & np.isfinite(meter) & usable.astype(bool)
    return shown[keep], meter[keep]


def charge_level(percent: Array, energy_wh: Array, total_wh: float) -> tuple[float, int]:
    """Honesty of a state of charge.

    Args:
        percent: n readings of the display [%], in order of time.
        energy_wh: Energy delivered until each [Wh].
        total_wh: Energy delivered in all, until the device switched off [Wh], above 0.

    Returns:
        Largest deviation [points], positive where the display promises too much; number of jumps of over 10 points.
    """
    left = 100.0 * (1.0 - energy_wh / total_wh)
    off = percent - left
    at = int(np.argmax(np.abs(off)))
    jumps = int((np.abs(np.diff(percent)) > JUMP_POINTS).sum())
    return float(off[at]), jumps


def reduce(run: Prepared) -> Found:
    """Section 10 of the results: bias, spread and largest error per quantity, honesty of the charge level."""
    names = [name for pair in _PAIRS for name in (f"display_{pair[1]}", pair[1])]
    wanted = tuple(dict.fromkeys(name for name in (*names, "display_percent") if name in run.trace.channels))
    pieces = list(run.trace.chunks(wanted))
    columns = {name: np.concatenate([piece[name] for piece in pieces]) for name in ("t_s", *wanted)} if pieces else {}
    if not any(name.startswith("display_") for name in wanted) or not columns:
        reason = "the log holds no readings of the display"
        return Found(
            (BIAS.absent("display_voltage_bias_v", "V", reason), LEVEL.absent("charge_level_off", "1", reason))
        )
    is_product = "power_w" not in columns
    if is_product and {"voltage_v", "current_a"} <= columns.keys():
        columns["power_w"] = columns["voltage_v"] * columns["current_a"]
    usable = _under_load(run, columns["t_s"])
    found: list[Result] = []
    for word, channel, unit in _PAIRS:
        if f"display_{channel}" in columns and channel in columns:
            readings = pairs_of(columns[f"display_{channel}"], columns[channel], usable)
            suffix = channel.rpartition("_")[2]
            names = [f"display_{word}_{part}_{suffix}" for part in ("bias", "spread", "error_max")]
            source = Power.PRODUCT if is_product and word == "power" else Power.LOGGED
            errors = _errors(run, word, names, unit, readings)
            found += [replace(r, account=replace(r.account, power=source)) for r in errors]
    if "display_percent" in columns:
        found += _level(run, columns)
    return Found(tuple(found))


def _under_load(run: Prepared, t: Array) -> Array:
    """1 for samples in the load window, all of them where there is none."""
    power = run.signals.power
    if run.window is None or power is None or power.used < 0.5 * len(t):
        return np.ones(len(t))  # typed readings: few rows have a power, and each row was chosen by a person
    return ((t >= run.window.from_s) & (t <= run.window.to_s)).astype(float)


def _errors(run: Prepared, word: str, names: Sequence[str], unit: str, readings: tuple[Array, Array]) -> list[Result]:
    shown, meter = readings
    if len(shown) < 2:
        reason = "fewer than two readings under load"
        return [method.absent(name, unit, reason) for method, name in zip((BIAS, SPREAD, LARGEST), names, strict=True)]
    off = shown - meter
    at = int(np.argmax(np.abs(off)))
    count, spread = len(off), float(off.std(ddof=1))
    mean_parts, why = _meter_part(run, word, float(np.mean(meter)))
    worst_parts, _ = _meter_part(run, word, float(meter[at]))
    few = count - 1.0
    scatter = scatter_part(float(spread / np.sqrt(count)), f"standard error of a mean, {count} readings", few)
    of_spread = scatter_part(float(spread / np.sqrt(2.0 * few)), f"{count} readings, taken as independent", few)
    account = Account(numbers={"readings": count})
    worst = account.plus(display_reading=float(shown[at]), meter_reading=float(meter[at]))
    span = run.window.span if run.window is not None else (run.signals.first_s, run.signals.last_s)
    mean_budget = (*mean_parts, scatter) if mean_parts else ()
    return [
        BIAS.found(names[0], float(off.mean()), unit, budget=mean_budget, reason=why, account=account, span=span),
        SPREAD.found(names[1], spread, unit, budget=(of_spread,), account=account, span=span),
        LARGEST.found(names[2], float(abs(off[at])), unit, budget=worst_parts, reason=why, account=worst, span=span),
    ]


def _meter_part(run: Prepared, word: str, value: float) -> tuple[tuple[Contribution, ...], str]:
    """What the meter's own accuracy adds at a reading, or why that is unknown."""
    meter, power = run.meter, run.signals.power
    if word == "voltage":
        return reading_budget("V", meter.voltage, value, "V", meter.label), meter.unknown("voltage")
    if word == "current":
        return reading_budget("I", meter.current, value, "A", meter.label), meter.unknown("current")
    if word != "power" or power is None or power.v is None or power.i is None:
        return (), "the accuracy of the meter's counter is not stated"
    volts = median(power.v)
    amps = value / volts if volts > 0.0 else 0.0
    return power_budget(meter, power=value, volts=volts, amps=amps), meter.unknown("voltage", "current")


def _by_counter(columns: Mapping[str, Array]) -> list[Result] | None:
    """The charge level against the energy that a meter had counted at each reading; None where it counted none."""
    if "energy_wh" not in columns:
        return None
    percent, counted = columns["display_percent"], columns["energy_wh"]
    keep = np.isfinite(percent) & np.isfinite(counted)
    if int(keep.sum()) < 2 or float(counted[keep][-1] - counted[keep][0]) <= 0.0:
        return None
    so_far = counted[keep] - counted[keep][0]
    off, _ = charge_level(percent[keep], so_far, float(so_far[-1]))
    # readings may lie far apart: a jump is a change that the energy between them does not explain
    unexplained = np.diff(percent[keep] + 100.0 * so_far / float(so_far[-1]))
    jumps = int((np.abs(unexplained) > JUMP_POINTS).sum())
    t = columns["t_s"][keep]
    span = (float(t[0]), float(t[-1]))
    told = ("the last reading is taken as at switch-off: energy that came after it is not counted",)
    account = Account(rule=Rule.COUNTER, numbers={"readings": int(keep.sum())})
    step = difference_part("display's step", 0.005, "the display shows whole percents")
    sign = account.plus(SIGN)
    return [
        LEVEL.found("charge_level_off", off / 100.0, "1", budget=(step,), span=span, account=sign, warnings=told),
        LEVEL.found("charge_level_jumps", float(jumps), "1", uncertainty=0.0, span=span, account=account),
    ]


def _level(run: Prepared, columns: Mapping[str, Array]) -> list[Result]:
    power, window = run.signals.power, run.window
    is_typed = power is None or window is None or power.used < 0.5 * run.signals.samples
    if is_typed and (counted := _by_counter(columns)) is not None:
        return counted
    names = (("charge_level_off", "1"), ("charge_level_jumps", "1"))
    if power is None or window is None or window.ends_under_load:
        reason = "the energy delivered in all is not known: the log does not reach the end of the battery"
        return [LEVEL.absent(name, unit, reason) for name, unit in names]
    t, percent = columns["t_s"], columns["display_percent"]
    keep = np.isfinite(percent) & (t >= window.from_s) & (t <= window.to_s)
    if int(keep.sum()) < 2:
        return [LEVEL.absent(name, unit, "fewer than two readings under load") for name, unit in names]
    so_far = np.interp(t[keep], power.t, power.total["energy"] - power.total["energy"][window.a])
    off, jumps = charge_level(percent[keep], so_far, power.integral("energy", window.a, window.b))
    readings = int(keep.sum())
    return [
        LEVEL.found(
            "charge_level_off",
            off / 100.0,
            "1",
            budget=(difference_part("display's step", 0.005, "the display shows whole percents"),),
            span=window.span,
            account=Account(numbers={"readings": readings}, told=SIGN),
        ),
        LEVEL.found(
            "charge_level_jumps",
            float(jumps),
            "1",
            uncertainty=0.0,
            span=window.span,
            account=Account(numbers={"readings": readings}),
        ),
    ]


def _redo_difference(place: Place) -> str | None:
    """Display less meter at the same moment, under load."""
    word = place.result.name.split("_")[1]
    channel = {"voltage": "voltage_v", "current": "current_a", "power": "power_w", "energy": "energy_wh"}[word]
    meter = "voltage_v * current_a" if place.account.power is Power.PRODUCT else channel
    what = {"bias": "avg(off)", "spread": "stddev_samp(off)", "error": "max(abs(off))"}[place.result.name.split("_")[2]]
    return (
        f"WITH pairs AS (\n  SELECT display_{channel} - {meter} AS off FROM {place.source}\n"
        f"    AND display_{channel} IS NOT NULL AND {meter} IS NOT NULL AND {place.within()}\n)\n"
        f"SELECT {what} AS {place.result.name} FROM pairs"
    )


def _redo_level(place: Place) -> str:
    """Display's % against what is left of all the energy that was delivered."""
    name = place.result.name
    if place.account.rule is Rule.COUNTER:
        begin = (
            "WITH shown AS (\n  SELECT file_row_number AS n, display_percent, energy_wh,\n"
            "         first(energy_wh) OVER w AS e0, last(energy_wh) OVER w AS e1\n"
            f"  FROM {place.source}\n    AND display_percent IS NOT NULL AND energy_wh IS NOT NULL\n"
            "  WINDOW w AS (ORDER BY file_row_number ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING)\n)"
            ", offs AS (\n  SELECT display_percent / 100 - 1 + (energy_wh - e0) / (e1 - e0) AS off,\n"
            "         abs(off - lag(off) OVER (ORDER BY n)) AS d FROM shown\n)"
        )
        what = "count(*) FILTER (d > 0.1)" if name == "charge_level_jumps" else "arg_max(off, abs(off))"
        return f"{begin}\nSELECT {what} AS {name} FROM offs"
    if name == "charge_level_jumps":
        return (
            "WITH shown AS (\n  SELECT display_percent AS y, abs(y - lag(y) OVER (ORDER BY file_row_number)) AS d\n"
            f"  FROM {place.source} AND display_percent IS NOT NULL AND {place.within()}\n)\n"
            f"SELECT count(*) FILTER (d > 10) AS {name} FROM shown"
        )
    return (
        f"{place.steps()}, gained AS (\n"
        f"  SELECT to_s AS t_s, CASE WHEN step <= longest THEN {BILINEAR} ELSE 0 END AS e\n"
        f"  FROM steps, usual WHERE {place.within('from_s', 'to_s')}\n), upto AS (\n"
        "  SELECT t_s, sum(e) OVER (ORDER BY t_s) / sum(e) OVER () AS used FROM gained\n), shown AS (\n"
        f"  SELECT t_s, display_percent FROM {place.source} AND display_percent IS NOT NULL AND {place.within()}\n)\n"
        "SELECT arg_max(off, abs(off)) AS charge_level_off FROM (\n"
        "  SELECT display_percent / 100 - 1 + coalesce(used, 0) AS off FROM shown ASOF LEFT JOIN upto USING (t_s)\n)"
    )


_KIND = ("display",)


def _pair_specs() -> Iterator[ResultSpec]:
    for place, (word, channel, unit) in enumerate(_PAIRS, start=1):
        suffix = channel.rpartition("_")[2]
        is_usual = word != "energy"
        yield ResultSpec(
            f"display_{word}_bias_{suffix}",
            f"display's bias of {word}",
            unit,
            short=f"{word} bias",
            kinds=_KIND if is_usual else (),
            on_page={"display": 10 * place} if is_usual else {},
            redo=_redo_difference,
        )
        yield ResultSpec(
            f"display_{word}_spread_{suffix}",
            f"display's spread of {word}",
            unit,
            short=f"{word} spread",
            redo=_redo_difference,
        )
        yield ResultSpec(
            f"display_{word}_error_max_{suffix}",
            f"display's largest error of {word}",
            unit,
            short=f"{word} error",
            glance=None,
            redo=_redo_difference,
        )


SPECS = (
    *_pair_specs(),
    ResultSpec(
        "charge_level_off",
        "charge level off by",
        "1",
        kinds=_KIND,
        on_page={"display": 80},
        redo=_redo_level,
    ),
    ResultSpec(
        "charge_level_jumps",
        "jumps of the charge level",
        "1",
        short="charge level jumps",
        shown=Shown.COUNT,
        kinds=_KIND,
        on_page={"display": 90},
        redo=_redo_level,
    ),
)
REDUCERS = (Reducer("display", _KIND, reduce, METHODS),)
