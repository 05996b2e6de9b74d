"""What every run gets: length, steps, gaps, and mean, extremes and spread of each quantity. Knows arrays only."""

from __future__ import annotations

import math

import numpy as np

from store.methods.method import Found, Method
from store.model.results import Contribution, Result
from store.signal.prepared import Prepared
from store.signal.signals import Electrical, Series
from store.signal.statistics import half_spread, median_of_three, moments, time_weights
from store.uncertainty.accuracy import Accuracy
from store.uncertainty.budget import (
    gain_part,
    logged_power_budget,
    offset_part,
    power_budget,
    random_part,
    reading_budget,
    step_part,
    time_budget,
)

__all__ = ["METHODS", "reduce"]

RECORD = Method("record", 1, "counted from the samples' own times; a gap is a step over 5 median steps and over 1 s")
PLATEAU = Method("plateau", 1, "median of the samples above half of the 95th percentile of power")
MEAN = Method(
    "time-weighted mean",
    1,
    "each sample counts for half of the step on either side, over the load window",
    "trapezoid rule",
)
SPREAD = Method(
    "time-weighted spread",
    2,
    "standard deviation about the mean over the load window, each sample weighted by its time, in two passes; it "
    "describes this log, so its uncertainty is the meter's gain and the time step, not the count of samples",
    "checked on NIST StRD NumAcc1-4",
)
EXTREME = Method("extreme", 1, "smallest and largest sample of the load window")
TEMPERATURE = Method(
    "temperature", 1, "first, last and largest median of three neighbouring samples: single wild readings don't count"
)
METHODS = (RECORD, PLATEAU, MEAN, SPREAD, EXTREME, TEMPERATURE)

QUANTITIES = (("voltage", "v", "V", "voltage_v"), ("current", "i", "A", "current_a"), ("power", "p", "W", "power_w"))
SUFFIX = {"voltage": "v", "current": "a", "power": "w"}


def reduce(run: Prepared) -> Found:
    """Section 2 of the results: the record, the plateau, electrical statistics, temperatures."""
    return Found((*_record(run), *_plateau(run), *_electrical(run), *_temperatures(run)))


def _record(run: Prepared) -> list[Result]:
    signals = run.signals
    span = (signals.first_s, signals.last_s)
    gap = sum(b - a for a, b in signals.gaps)
    inputs: dict[str, float | str] = {"samples": signals.samples, "gaps": len(signals.gaps)}
    if changed := run.limits.changed():
        inputs["constants changed in this library"] = ", ".join(changed)
    out = [
        RECORD.found(
            "duration_s",
            signals.last_s - signals.first_s,
            "s",
            budget=time_budget(signals.step_s, 2),
            span=span,
            inputs=inputs,
            warnings=(*signals.warnings, *run.meter.problems),
        ),
        RECORD.found("samples", signals.samples, "1", uncertainty=0.0, span=span),
    ]
    if signals.step_s > 0.0:
        out.append(
            RECORD.found(
                "interval_s",
                signals.step_s,
                "s",
                span=span,
                reason="as the meter's clock gives it; its accuracy is not stated",
            )
        )
    else:
        out.append(RECORD.absent("interval_s", "s", "one sample has no interval"))
    out.append(
        RECORD.found(
            "gap_s",
            gap,
            "s",
            budget=time_budget(signals.step_s, 2 * len(signals.gaps)) if signals.gaps else (),
            uncertainty=None if signals.gaps else 0.0,
            span=span,
            inputs=inputs,
        )
    )
    return out


def _plateau(run: Prepared) -> list[Result]:
    window, power = run.window, run.signals.power
    if window is None or power is None:
        return [PLATEAU.absent("power_plateau_w", "W", run.no_load)]
    part = slice(window.a, window.b + 1)
    near = np.abs(power.p[part] - window.plateau_w) <= run.limits["plateau_share"] * window.plateau_w
    count = max(1, int(near.sum()))
    spread = float(np.std(power.p[part][near])) if count > 1 else 0.0
    volts = float(np.median(power.v[part])) if power.v is not None else 0.0
    amps = window.plateau_w / volts if volts > 0.0 else 0.0
    budget = (
        power_budget(run.meter, power=window.plateau_w, volts=volts, amps=amps)
        if power.v is not None
        else logged_power_budget(run.meter, window.plateau_w)
    )
    if budget:
        scatter = random_part(1.2533 * spread / math.sqrt(count), f"{count} samples, standard error of a median")
        budget = (*budget, scatter)
    return [
        PLATEAU.found(
            "power_plateau_w",
            window.plateau_w,
            "W",
            budget=budget,
            span=window.span,
            warnings=window.warnings,
            inputs={"power": power.source, "samples near the plateau": count},
            reason=run.no_energy_accuracy,
        )
    ]


def _electrical(run: Prepared) -> list[Result]:
    """Mean, extremes and spread over the load window; over the whole run where there is no load."""
    power = run.signals.power
    if power is None:
        return _lone_voltage(run)
    window = run.window
    note = () if window is not None else (f"over the whole run: {run.no_load}",)
    a, b = (window.a, window.b) if window is not None else (0, len(power.t) - 1)
    out: list[Result] = []
    for word, symbol, unit, channel in QUANTITIES:
        if getattr(power, symbol) is None:
            lone = run.signals.series.get(channel)
            if lone is None:
                out.extend(_no_channel(word, unit))
            else:
                out.extend(_of_series(run, word, unit, lone.between(float(power.t[a]), float(power.t[b]))))
            continue
        out.extend(_of_track(run, power, (word, symbol, unit), (a, b), note))
    return out


def _no_channel(word: str, unit: str) -> list[Result]:
    suffix = SUFFIX[word]
    return [
        method.absent(f"{word}_{kind}_{suffix}", unit, f"the log has no {word}")
        for kind, method in (("mean", MEAN), ("min", EXTREME), ("max", EXTREME), ("sd", SPREAD))
    ]


def _of_track(
    run: Prepared, power: Electrical, quantity: tuple[str, str, str], window: tuple[int, int], note: tuple[str, ...]
) -> list[Result]:
    word, symbol, unit = quantity
    a, b = window
    suffix = SUFFIX[word]
    mean, sd = power.moments(symbol, a, b)
    low, high = power.extremes(symbol, a, b)
    span = (float(power.t[a]), float(power.t[b]))
    inputs: dict[str, float | str] = {
        "power": power.source,
        "samples used": b - a + 1 if not power.grain_s else power.used,
        "left out": power.left_out,
    }
    budget, reason = _mean_budget(run, word, mean, power, window)
    moment_of = {"min": low, "max": high}
    out = [
        MEAN.found(
            f"{word}_mean_{suffix}", mean, unit, budget=budget, reason=reason, span=span, inputs=inputs, warnings=note
        )
    ]
    for kind, (at, value) in moment_of.items():
        when = float(power.t[at])
        out.append(
            EXTREME.found(
                f"{word}_{kind}_{suffix}",
                value,
                unit,
                budget=_reading(run, word, value, power, at),
                reason=reason,
                span=span,
                inputs={"at_s": when, **inputs},
                warnings=note,
            )
        )
    out.append(
        SPREAD.found(
            f"{word}_sd_{suffix}",
            sd,
            unit,
            budget=_spread_budget(run, word, sd, power.half_spread(symbol, a, b), is_product=power.v is not None),
            reason=_no_spread(b - a + 1, sd) or reason,
            span=span,
            inputs=inputs,
            warnings=note,
        )
    )
    return out


def _no_spread(count: int, sd: float) -> str:
    """Why a spread, or its uncertainty, can't be told; empty where it can."""
    if count < 2:
        return "one sample has no spread"
    return "the reading never changed: the spread is under the meter's resolution" if sd == 0.0 else ""


def _spread_budget(run: Prepared, word: str, sd: float, half: float, *, is_product: bool) -> tuple[Contribution, ...]:
    """What the meter's gains do to a spread, and how far the steps matter: all samples against every second one."""
    if sd == 0.0:
        return ()
    meter = run.meter
    gains: dict[str, Accuracy | None] = {"V": meter.voltage, "I": meter.current, "P": meter.power}
    symbols = {"voltage": ("V",), "current": ("I",)}.get(word, ("V", "I") if is_product else ("P",))
    parts = []
    for symbol in symbols:
        accuracy = gains[symbol]
        if accuracy is None:
            return ()
        parts.append(gain_part(symbol, accuracy, sd, meter.label))
    return (*parts, step_part(sd, half)) if math.isfinite(half) else tuple(parts)


def _mean_budget(
    run: Prepared, word: str, mean: float, power: Electrical, window: tuple[int, int]
) -> tuple[tuple[Contribution, ...], str]:
    if word == "power":
        if power.v is None or power.i is None:
            return logged_power_budget(run.meter, mean), run.no_energy_accuracy
        volts = power.moments("v", *window).mean
        amps = power.moments("i", *window).mean
        return power_budget(run.meter, power=mean, volts=volts, amps=amps), run.no_energy_accuracy
    accuracy = run.meter.voltage if word == "voltage" else run.meter.current
    symbol, unit = ("V", "V") if word == "voltage" else ("I", "A")
    if accuracy is None:
        return (), run.meter.unknown(word)
    label = run.meter.label
    return (gain_part(symbol, accuracy, mean, label), offset_part(symbol, accuracy, 1.0, unit, label)), ""


def _reading(run: Prepared, word: str, value: float, power: Electrical, at: int) -> tuple[Contribution, ...]:
    if word == "power":
        if power.v is None or power.i is None:
            return reading_budget("P", run.meter.power, value, "W", run.meter.label)
        return power_budget(run.meter, power=value, volts=float(power.v[at]), amps=float(power.i[at]))
    accuracy = run.meter.voltage if word == "voltage" else run.meter.current
    symbol, unit = ("V", "V") if word == "voltage" else ("I", "A")
    return reading_budget(symbol, accuracy, value, unit, run.meter.label)


def _lone_voltage(run: Prepared) -> list[Result]:
    """Statistics of a run that logged no power: each channel over the whole run."""
    out: list[Result] = []
    for word, _, unit, channel in QUANTITIES:
        series = run.signals.series.get(channel)
        out.extend(_of_series(run, word, unit, series) if series is not None else _no_channel(word, unit))
    return out


def _of_series(run: Prepared, word: str, unit: str, series: Series) -> list[Result]:
    suffix = SUFFIX[word]
    if not len(series):
        return _no_channel(word, unit)
    dt = np.diff(series.t)
    dt[dt > max(run.limits["gap_steps"] * run.signals.step_s, run.limits["gap_min_s"])] = 0.0
    mean, sd = moments(series.y, time_weights(dt))
    symbol, accuracy = {
        "voltage": ("V", run.meter.voltage),
        "current": ("I", run.meter.current),
        "power": ("P", run.meter.power),
    }[word]
    reason = run.meter.unknown(word)
    span = (float(series.t[0]), float(series.t[-1]))
    values = {"mean": mean, "min": float(series.y.min()), "max": float(series.y.max())}
    out = [
        (MEAN if kind == "mean" else EXTREME).found(
            f"{word}_{kind}_{suffix}",
            value,
            unit,
            budget=reading_budget(symbol, accuracy, value, unit, run.meter.label),
            reason=reason,
            span=span,
            inputs={"samples used": len(series)},
        )
        for kind, value in values.items()
    ]
    half = half_spread(series.y, dt)
    out.append(
        SPREAD.found(
            f"{word}_sd_{suffix}",
            sd,
            unit,
            budget=_spread_budget(run, word, sd, half, is_product=False),
            span=span,
            inputs={"samples used": len(series)},
            reason=_no_spread(len(series), sd) or reason,
        )
    )
    return out


def _temperatures(run: Prepared) -> list[Result]:
    out: list[Result] = []
    for channel, series in run.signals.series.items():
        if not channel.startswith("temperature_"):
            continue
        stem = channel.removesuffix("_c")
        steady = median_of_three(series.y)
        top = int(np.argmax(steady))
        wild = float(series.y.max()) - float(steady[top])
        warnings = (f"a single reading {wild:.1f} K above its neighbours was left out",) if wild > 2.0 else ()
        values = {
            "start": (0, float(series.y[0])),
            "max": (top, float(steady[top])),
            "final": (-1, float(series.y[-1])),
        }
        for kind, (at, value) in values.items():
            out.append(
                TEMPERATURE.found(
                    f"{stem}_{kind}_c",
                    value,
                    "°C",
                    budget=reading_budget("T", run.meter.temperature, value, "°C", run.meter.label),
                    reason=run.meter.unknown("temperature"),
                    span=(float(series.t[0]), float(series.t[-1])),
                    inputs={"at_s": float(series.t[at]), "samples used": len(series)},
                    warnings=warnings if kind == "max" else (),
                )
            )
    if "temperature_c" not in run.signals.series:
        out.extend(
            TEMPERATURE.absent(f"temperature_{k}_c", "°C", "no case temperature was logged")
            for k in ("start", "max", "final")
        )
    return out
