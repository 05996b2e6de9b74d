"""How well a port held its voltage over a sweep of loads. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from store.methods.method import Found, Method, Reducer
from store.methods.sql_parts import Place, found_levels, number
from store.model.results import Account, Array, Contribution, Event, Result
from store.model.spec import Better, ResultSpec, Shown
from store.signal.levels import Level, find_levels
from store.signal.prepared import Prepared
from store.uncertainty.accuracy import SQRT3
from store.uncertainty.budget import gain_part, offset_part, scaled
from store.uncertainty.freedom import effective_dof
from store.uncertainty.sampling import one_sided, scatter_part
from store.usb.source_windows import Window
from store.words.facts import Mode, parse_mode, window_of

__all__ = ["METHODS", "REDUCERS", "SPECS", "reduce", "source_resistance"]

LEVELS = Method(
    "load levels",
    2,
    "levels of current found where medians before and after differ; time-weighted means without the first second "
    "after a step; a stated cable's drop added back",
)
WORST = Method("worst level", 2, "the level furthest from nominal, and the one nearest to a limit of the window")
RESISTANCE = Method(
    "source resistance",
    2,
    "minus the slope of voltage over current, least squares over the levels' means; with time where the sweep goes "
    "both ways",
    "Ohm's law",
)
METHODS = (LEVELS, WORST, RESISTANCE)
CABLE_SHARE = 0.05
"""A cable's resistance that is stated is good to 5 %. Assumed, no source: it warms, and plugs differ by the day."""
TOGETHER = 0.9
"""Where current and time correlate by more, a sweep goes one way and can't tell their effects apart."""


def reduce(run: Prepared) -> Found:
    """Section 7 of the results."""
    power = run.signals.power
    names = (
        ("levels", "1"),
        ("voltage_error_worst_percent", "%"),
        ("window_margin_worst_v", "V"),
        ("source_resistance_mohm", "mΩ"),
    )
    if power is None or power.v is None:
        reason = "voltage and current were not logged together"
        return Found(tuple(LEVELS.absent(name, unit, reason) for name, unit in names))
    levels = find_levels(power, run.limits)
    if not levels:
        return Found(tuple(LEVELS.absent(name, unit, "no level of current was held for 3 s") for name, unit in names))
    mode = parse_mode(run.context.mode)
    levels_v, warnings = _at_port(run, levels)
    results = [
        LEVELS.found(
            "levels",
            len(levels),
            "1",
            uncertainty=0.0,
            span=_span(levels),
            warnings=warnings,
            account=Account(spans=tuple(level.span for level in levels)),
        ),
        *_each(run, levels, levels_v, mode, warnings),
        *_worst(run, levels, levels_v, mode, warnings),
        source_resistance(run, levels, levels_v),
    ]
    results = [_with_cable(run, r) if r.value is not None else r for r in results]
    events = tuple(Event("level", float(power.t[lv.a]), float(power.t[lv.b]), lv.current_a, "A") for lv in levels)
    return Found(tuple(results), events)


def _span(levels: list[Level]) -> tuple[float, float]:
    return levels[0].from_s, levels[-1].to_s


def _at_port(run: Prepared, levels: list[Level]) -> tuple[list[float], tuple[str, ...]]:
    """Voltages at the port: measured there, or with the stated cable's drop added back."""
    volts = [lv.voltage_v for lv in levels]
    if run.context.measured_at != "cable end":
        unsaid = "where the voltage was taken is not stated: taken as at the port"
        return volts, () if run.context.measured_at else (unsaid,)
    if run.context.cable_mohm is None:
        unsaid = "voltage measured at the end of a cable of unknown resistance: its drop is in the figures"
        return volts, (unsaid,)
    drop = run.context.cable_mohm / 1000.0
    sign = -1.0 if run.context.direction == "in" else 1.0
    note = f"taken at the cable's end; the drop over {run.context.cable_mohm:g} mΩ is added back"
    return [v + sign * drop * lv.current_a for v, lv in zip(volts, levels, strict=True)], (note,)


def _voltage_budget(run: Prepared, level: Level, volts: float) -> tuple[Contribution, ...]:
    accuracy, label = run.meter.voltage, run.meter.label
    if accuracy is None:
        return ()
    scatter = scatter_part(level.voltage_se, f"{level.samples} samples of the level, as they go together", level.dof)
    parts = (gain_part("V", accuracy, level.voltage_v, label), offset_part("V", accuracy, 1.0, "V", label), scatter)
    if volts == level.voltage_v or not run.context.cable_mohm:
        return parts
    told = f"{100.0 * CABLE_SHARE:g} % of the {run.context.cable_mohm:g} mΩ stated, assumed"
    share = abs(volts - level.voltage_v) * CABLE_SHARE / SQRT3
    return (*parts, Contribution("stated cable", share, "B", "rectangular", told))


def _with_cable(run: Prepared, result: Result) -> Result:
    """With the cable whose drop was added to the voltages, negative where energy flows in."""
    account = replace(result.account, direction=run.context.direction or "out")
    if run.context.measured_at == "cable end" and run.context.cable_mohm is not None:
        account = account.plus(added_mohm=run.context.cable_mohm * (-1.0 if run.context.direction == "in" else 1.0))
    return replace(result, account=account)


def _within(account: Account, window: Window) -> Account:
    return account.plus({"window": window.name}, lower_v=window.lower, upper_v=window.upper)


def _window(mode: Mode | None) -> tuple[Window | None, str]:
    """The window of a mode, or why there is none."""
    if mode is None:
        return None, "the mode is not stated"
    if mode.nominal_v is None:
        return None, "the mode names a range, not the voltage that was requested"
    return window_of(mode), ""


def _each(
    run: Prepared, levels: list[Level], volts: list[float], mode: Mode | None, warnings: tuple[str, ...]
) -> list[Result]:
    window, no_window = _window(mode)
    out = []
    for index, (level, value) in enumerate(zip(levels, volts, strict=True), start=1):
        stem = f"level_{index:02d}"
        span = (level.from_s, level.to_s)
        budget = _voltage_budget(run, level, value)
        reason = run.meter.unknown("voltage")
        account = Account(numbers={"current_a": level.current_a, "samples_used": level.samples}, spans=(level.span,))
        current = run.meter.current
        amps = (
            (
                gain_part("I", current, level.current_a, run.meter.label),
                offset_part("I", current, 1.0, "A", run.meter.label),
                scatter_part(level.current_se, f"{level.samples} samples of the level", level.dof),
            )
            if current is not None
            else ()
        )
        out.append(
            LEVELS.found(
                f"{stem}_current_a",
                level.current_a,
                "A",
                budget=amps,
                reason=run.meter.unknown("current"),
                span=span,
                account=account,
            )
        )
        out.append(
            LEVELS.found(
                f"{stem}_voltage_v",
                value,
                "V",
                budget=budget,
                reason=reason,
                span=span,
                account=account,
                warnings=warnings,
            )
        )
        if window is None or mode is None or mode.nominal_v is None:
            out.append(LEVELS.absent(f"{stem}_error_percent", "%", no_window))
            out.append(LEVELS.absent(f"{stem}_margin_v", "V", no_window))
            continue
        nominal = mode.nominal_v
        relative = scaled(budget, 100.0 / nominal)
        error = 100.0 * (value / nominal - 1.0)
        out.append(
            LEVELS.found(
                f"{stem}_error_percent",
                error,
                "%",
                budget=relative,
                reason=reason,
                span=span,
                account=account.plus(nominal_v=nominal),
            )
        )
        margin = _within(account, window)
        out.append(
            LEVELS.found(
                f"{stem}_margin_v", window.margin(value), "V", budget=budget, reason=reason, span=span, account=margin
            )
        )
    return out


def _worst(
    run: Prepared, levels: list[Level], volts: list[float], mode: Mode | None, warnings: tuple[str, ...]
) -> list[Result]:
    window, no_window = _window(mode)
    if window is None or mode is None or mode.nominal_v is None:
        return [
            WORST.absent("voltage_error_worst_percent", "%", no_window),
            WORST.absent("window_margin_worst_v", "V", no_window),
        ]
    nominal = mode.nominal_v
    errors = [100.0 * (v / nominal - 1.0) for v in volts]
    margins = [window.margin(v) for v in volts]
    out = []
    for name, unit, values, scale, pick in (
        ("voltage_error_worst_percent", "%", errors, 100.0 / nominal, int(np.argmax(np.abs(errors)))),
        ("window_margin_worst_v", "V", margins, 1.0, int(np.argmin(margins))),
    ):
        level = levels[pick]
        budget = scaled(_voltage_budget(run, level, volts[pick]), scale)
        numbers = {"at_current_a": level.current_a, "voltage_v": volts[pick], "nominal_v": nominal}
        account = _within(Account(numbers=numbers, spans=(level.span,)), window)
        out.append(
            WORST.found(
                name, values[pick], unit, budget=budget, reason=run.meter.unknown("voltage"),
                span=(level.from_s, level.to_s), account=account, warnings=warnings,
            )
        )  # fmt: skip
    return out


def source_resistance(run: Prepared, levels: list[Level], volts: list[float]) -> Result:
    """Minus the slope of voltage over current [milliohm], with the scatter about the line and both gains.

    Offsets of voltage and current drop out of a slope. Time is fitted too where the sweep lets it be told from the
    current. Refused under three levels or a narrow range of current.
    """
    name, unit = "source_resistance_mohm", "mΩ"
    amps = np.array([lv.current_a for lv in levels])
    ports = np.array(volts)
    if len(levels) < 3:
        return RESISTANCE.absent(name, unit, f"{len(levels)} levels give no slope with an error; three are needed")
    spread = float(amps.max() - amps.min())
    if spread < 0.1 * float(np.abs(amps).max()) or spread <= 0.0:
        return RESISTANCE.absent(name, unit, "the levels of current lie too close together for a slope")
    line = _slope(levels, amps, ports)
    sign = 1.0 if run.context.direction == "in" else -1.0
    value = sign * 1000.0 * line.slope
    budget: tuple[Contribution, ...] = ()
    if run.meter.voltage is not None and run.meter.current is not None:
        budget = _resistance_budget(run, line, value, len(levels))
    numbers = {"levels": float(len(levels)), "from_a": float(amps.min()), "to_a": float(amps.max())}
    if line.has_time:
        numbers["volts_per_s"] = line.per_s
    account = Account(numbers=numbers, spans=tuple(level.span for level in levels))
    one_way = "a sweep that goes one way can't tell resistance from a voltage that sags meanwhile"
    limit = f": up to {1000.0 * line.sag_limit:.2g} mΩ of it may be that" if line.sag_limit > 0.0 else ""
    note = (one_way + limit,) if not line.has_time else ()
    reason = run.meter.unknown("voltage", "current")
    return RESISTANCE.found(
        name, value, unit, budget=budget, reason=reason, span=_span(levels), account=account, warnings=note
    )


@dataclass(frozen=True, slots=True)
class _Slope:
    """Voltage over current of a sweep's levels."""

    slope: float
    """[V/A]."""
    noise_u: float
    """From the samples' scatter within the levels."""
    noise_dof: float
    excess_u: float
    """By how much levels scatter about the line beyond that; 0 where they don't."""
    excess_dof: float
    has_time: bool
    per_s: float
    """How the voltage moved with time [V/s], where it was fitted."""
    sag_limit: float
    """Of a sweep that goes one way: what the drift within its levels would do to the slope [V/A]."""


def _slope(levels: list[Level], amps: Array, ports: Array) -> _Slope:
    at = np.array([lv.at_s for lv in levels])
    t, x, y = at - at.mean(), amps - amps.mean(), ports - ports.mean()
    r = float(x @ t) / math.sqrt(float(x @ x) * float(t @ t)) if float(t @ t) > 0.0 else 1.0
    has_time = len(levels) >= 4 and abs(r) < TOGETHER
    turn = float(x @ t) / float(t @ t) if has_time else 0.0
    own = x - turn * t
    sxx = float(own @ own)
    slope = float(own @ y) / sxx
    rest = y - slope * x
    per_s = float(t @ rest) / float(t @ t) if has_time else 0.0
    rest = rest - per_s * t
    dof = max(len(levels) - (3 if has_time else 2), 1)
    line_u = math.sqrt(float(rest @ rest) / dof / sxx)
    parts = [(abs(share) / sxx * lv.voltage_se, lv.dof) for share, lv in zip(own, levels, strict=True)]
    noise_u = math.sqrt(math.fsum(u * u for u, _ in parts))
    excess = math.sqrt(max(line_u**2 - noise_u**2, 0.0))
    sxy, stt = (math.fsum(lv.drift[k] for lv in levels) for k in (0, 1))
    drift = sxy / stt if stt > 0.0 else 0.0
    drift_u = math.sqrt(np.mean([lv.voltage_se**2 * lv.samples for lv in levels]) / stt) if stt > 0.0 else 0.0
    limit = 0.0 if has_time else max(abs(drift) - drift_u, 0.0) * abs(float(x @ t)) / float(x @ x)
    return _Slope(slope, noise_u, effective_dof(parts), excess, float(dof), has_time, per_s, limit)


def _resistance_budget(run: Prepared, line: _Slope, value: float, count: int) -> tuple[Contribution, ...]:
    """Gains act on what was measured: a cable's share, taken off before, was measured too, and is known to a share."""
    voltage, current, label = run.meter.voltage, run.meter.current, run.meter.label
    if voltage is None or current is None:
        return ()
    cable = run.context.cable_mohm if run.context.measured_at == "cable end" and run.context.cable_mohm else 0.0
    parts = [
        gain_part("V", voltage, value + cable, label),
        gain_part("I", current, value + cable, label),
        scatter_part(1000.0 * line.noise_u, f"of the samples of {count} levels, as they go together", line.noise_dof),
        Contribution(
            "levels about the line", 1000.0 * line.excess_u, "A", "normal", "beyond the samples' scatter",
            dof=line.excess_dof,
        ),
    ]  # fmt: skip
    if cable:
        told = f"{100.0 * CABLE_SHARE:g} % of the {cable:g} mΩ stated, assumed"
        parts.append(Contribution("stated cable", cable * CABLE_SHARE / SQRT3, "B", "rectangular", told))
    if line.sag_limit > 0.0:
        parts.append(
            one_sided("sagging", 1000.0 * line.sag_limit, "a sweep that goes one way; drift within its levels")
        )
    return tuple(parts)


def _redo_level(place: Place) -> str | None:
    name, numbers = place.result.name, place.account.numbers
    if name == "levels":
        return f"{found_levels(place)}\nSELECT count(*) AS levels FROM level"
    if name.endswith("_current_a"):
        return f"{found_levels(place)}\nSELECT amps AS {name} FROM level"
    if name.endswith("_voltage_v"):
        return f"{found_levels(place)}\nSELECT volts AS {name} FROM level"
    if name.endswith("_percent") and "nominal_v" in numbers:
        return (
            f"{found_levels(place)}\nSELECT 100 * (volts / {number(place.given('nominal_v'))} - 1) AS {name} FROM level"
        )
    if "lower_v" not in numbers or "upper_v" not in numbers:
        return None
    low, high = number(place.given("lower_v")), number(place.given("upper_v"))
    return f"{found_levels(place)}\nSELECT least(volts - {low}, {high} - volts) AS {name} FROM level"


def _redo_resistance(place: Place) -> str:
    """Slope of the levels' voltages over their currents; what time explains is taken off where it was fitted."""
    sign = "" if place.account.direction == "in" else "-"
    name = place.result.name
    if "volts_per_s" not in place.account.numbers:
        return f"{found_levels(place)}\nSELECT {sign}1000 * regr_slope(volts, amps) AS {name} FROM level"
    return (
        f"{found_levels(place)}, trend AS (\n  SELECT regr_slope(amps, at_s) AS s, regr_intercept(amps, at_s) AS r\n"
        f"  FROM level\n)\nSELECT {sign}1000 * sum(volts * (amps - r - s * at_s)) / sum((amps - r - s * at_s) ** 2)\n"
        f"  AS {name} FROM level, trend"
    )


_RESTS = ("settle_s", "level_share", "level_min_s")
_KIND = ("regulation",)

SPECS = (
    ResultSpec("levels", "load levels", "1", shown=Shown.COUNT, rests_on=_RESTS, redo=_redo_level),
    *(
        ResultSpec(f"level_#_{name}", f"level # {words}", unit, glance=None, rests_on=_RESTS, redo=_redo_level)
        for name, words, unit in (
            ("current_a", "current", "A"),
            ("voltage_v", "voltage", "V"),
            ("error_percent", "error", "%"),
            ("margin_v", "margin", "V"),
        )
    ),
    ResultSpec(
        "voltage_error_worst_percent",
        "largest voltage error",
        "%",
        short="voltage error",
        kinds=_KIND,
        on_page={"regulation": 10},
        rests_on=_RESTS,
        redo=_redo_level,
    ),
    ResultSpec(
        "window_margin_worst_v",
        "smallest margin to the limit",
        "V",
        short="smallest margin",
        kinds=_KIND,
        on_page={"regulation": 20},
        rests_on=_RESTS,
        redo=_redo_level,
    ),
    ResultSpec(
        "source_resistance_mohm",
        "source resistance",
        "mΩ",
        kinds=_KIND,
        better=Better.SMALLER,
        on_page={"regulation": 30},
        glance=140,
        runs_column=True,
        rests_on=_RESTS,
        redo=_redo_resistance,
    ),
)
REDUCERS = (Reducer("regulation", _KIND, reduce, METHODS),)
