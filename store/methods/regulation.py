"""How well a port held its voltage over a sweep of loads. Knows arrays only."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from store.methods.method import Found, Method, Reducer
from store.methods.sql_parts import Place, found_levels, number
from store.model.results import Account, Contribution, Event, Result
from store.model.spec import Better, ResultSpec, Shown
from store.signal.levels import Level, find_levels
from store.signal.prepared import Prepared
from store.uncertainty.budget import gain_part, offset_part, random_part, scaled
from store.usb.source_windows import Window
from store.words.facts import Mode, parse_mode, window_of

__all__ = ["METHODS", "REDUCERS", "SPECS", "reduce", "source_resistance"]

LEVELS = Method(
    "load levels",
    1,
    "levels of current found where medians before and after differ; time-weighted means without the first second "
    "after a step; a stated cable's drop added back",
)
WORST = Method("worst level", 1, "the level furthest from nominal, and the one nearest to a limit of the window")
RESISTANCE = Method(
    "source resistance", 1, "minus the slope of voltage over current, least squares over the levels' means", "Ohm's law"
)
METHODS = (LEVELS, WORST, RESISTANCE)


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
        reason = "the log has no voltage and current together"
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
        unsaid = "voltage was taken at the end of a cable of unknown resistance: its drop is in the figures"
        return volts, (unsaid,)
    drop = run.context.cable_mohm / 1000.0
    sign = -1.0 if run.context.direction == "in" else 1.0
    note = f"taken at the cable's end; the drop over {run.context.cable_mohm:g} mΩ is added back"
    return [v + sign * drop * lv.current_a for v, lv in zip(volts, levels, strict=True)], (note,)


def _voltage_budget(run: Prepared, level: Level, volts: float) -> tuple[Contribution, ...]:
    accuracy, label = run.meter.voltage, run.meter.label
    if accuracy is None:
        return ()
    scatter = random_part(level.voltage_se, f"{level.samples} samples of the level")
    return (gain_part("V", accuracy, volts, label), offset_part("V", accuracy, 1.0, "V", label), scatter)


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

    Offsets of voltage and current drop out of a slope. Refused under three levels or a narrow range of current.
    """
    name, unit = "source_resistance_mohm", "mΩ"
    amps = np.array([lv.current_a for lv in levels])
    ports = np.array(volts)
    if len(levels) < 3:
        return RESISTANCE.absent(name, unit, f"{len(levels)} levels give no slope with an error; three are needed")
    spread = float(amps.max() - amps.min())
    if spread < 0.1 * float(np.abs(amps).max()) or spread <= 0.0:
        return RESISTANCE.absent(name, unit, "the levels of current lie too close together for a slope")
    mean = float(amps.mean())
    sxx = float((amps - mean) @ (amps - mean))
    slope = float((amps - mean) @ (ports - ports.mean())) / sxx
    rest = ports - ports.mean() - slope * (amps - mean)
    line_u = float(np.sqrt(float(rest @ rest) / (len(levels) - 2) / sxx))
    noise_u = float(np.sqrt(sum(((a - mean) / sxx * lv.voltage_se) ** 2 for a, lv in zip(amps, levels, strict=True))))
    sign = 1.0 if run.context.direction == "in" else -1.0
    value = sign * 1000.0 * slope
    budget: tuple[Contribution, ...] = ()
    if run.meter.voltage is not None and run.meter.current is not None:
        budget = (
            gain_part("V", run.meter.voltage, value, run.meter.label),
            gain_part("I", run.meter.current, value, run.meter.label),
            random_part(1000.0 * max(line_u, noise_u), f"standard error of the slope over {len(levels)} levels"),
        )
    account = Account(
        numbers={"levels": len(levels), "from_a": float(amps.min()), "to_a": float(amps.max())},
        spans=tuple(level.span for level in levels),
    )
    reason = run.meter.unknown("voltage", "current")
    return RESISTANCE.found(name, value, unit, budget=budget, reason=reason, span=_span(levels), account=account)


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
    sign = "" if place.account.direction == "in" else "-"
    return f"{found_levels(place)}\nSELECT {sign}1000 * regr_slope(volts, amps) AS {place.result.name} FROM level"


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
