"""What every run gets: length, steps, gaps, and mean, extremes and spread of each quantity. Knows arrays only."""

from __future__ import annotations

import math

import numpy as np

from store.methods.method import EVERY, Bound, Found, Method, Reducer
from store.methods.sql_parts import Place, clock, plateau
from store.model.results import Account, Array, Contribution, Flag, Result
from store.model.spec import ResultSpec, Shown
from store.signal.batches import mean_scatter
from store.signal.edges import sampling_u
from store.signal.integrate import HOUR_S
from store.signal.prepared import Prepared
from store.signal.signals import Electrical, SampleSeries
from store.signal.statistics import half_spread, median, moments, noise, time_weights
from store.uncertainty.accuracy import Accuracy
from store.uncertainty.budget import (
    gain_part,
    logged_power_budget,
    offset_part,
    power_budget,
    reading_budget,
    step_part,
)
from store.uncertainty.sampling import batch_part, clock_of, one_sided, scatter_part

__all__ = ["METHODS", "REDUCERS", "SPECS", "idle_parts", "mean_parts", "reduce"]

RECORD = Method("record", 2, "counted from the samples' own times; a gap is a step over 5 median steps and over 1 s")
PLATEAU = Method("plateau", 2, "median of the samples above half of the 95th percentile of power")
MEAN = Method(
    "time-weighted mean",
    2,
    "each sample counts for half of the step on either side, over the load window; over the whole log of an idle draw",
    "trapezoid rule",
)
SPREAD = Method(
    "time-weighted spread",
    2,
    "standard deviation about the mean over the load window, each sample weighted by its time, in two passes; it "
    "describes this log, so its uncertainty is the meter's gain and the time step, not the count of samples",
    "checked on NIST StRD NumAcc1-4",
)
EXTREME = Method("extreme", 2, "smallest and largest sample of the load window")
METHODS = (RECORD, PLATEAU, MEAN, SPREAD, EXTREME)

QUANTITIES = (("voltage", "v", "V", "voltage_v"), ("current", "i", "A", "current_a"), ("power", "p", "W", "power_w"))
SUFFIX = {"voltage": "v", "current": "a", "power": "w"}
CHANNELS = {word: (symbol, channel) for word, symbol, _, channel in QUANTITIES}


def reduce(run: Prepared) -> Found:
    """Section 2 of the results: the record, the plateau, electrical statistics."""
    return Found((*_record(run), *_plateau(run), *_electrical(run)))


def _record(run: Prepared) -> list[Result]:
    signals = run.signals
    span = (signals.first_s, signals.last_s)
    gap = sum(b - a for a, b in signals.gaps)
    account = Account(numbers={"samples": signals.samples, "gaps": len(signals.gaps)})
    if changed := run.limits.changed():
        account = account.plus({"constants_changed": ", ".join(changed)})
    out = [
        RECORD.found(
            "duration_s",
            signals.last_s - signals.first_s,
            "s",
            budget=(clock_of(run.meter, signals.last_s - signals.first_s),),
            span=span,
            account=account,
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
            budget=(clock_of(run.meter, gap),) if signals.gaps else (),
            uncertainty=None if signals.gaps else 0.0,
            span=span,
            account=account,
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
    volts = median(power.v[part]) if power.v is not None else 0.0
    amps = window.plateau_w / volts if volts > 0.0 else 0.0
    budget = (
        power_budget(run.meter, power=window.plateau_w, volts=volts, amps=amps)
        if power.v is not None
        else logged_power_budget(run.meter, window.plateau_w)
    )
    if budget:
        inside = power.p[part][near]
        told = f"{count} samples, standard error of a median"
        scatter = scatter_part(1.2533 * noise(inside) / math.sqrt(count), told)
        steps = Contribution(
            "time step",
            math.sqrt(3.0) * spread / count,
            "B",
            "rectangular",
            "the median of a slope lies between two samples",
        )
        budget = (*budget, scatter, steps)
    return [
        PLATEAU.found(
            "power_plateau_w",
            window.plateau_w,
            "W",
            budget=budget,
            span=window.span,
            warnings=window.warnings,
            account=Account(power=power.source, numbers={"samples_near_plateau": count}),
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
    if run.context.kind == "standby":  # idle draw comes in bursts: from first to last burst would count one too many
        a, b = 0, len(power.t) - 1
        note = ("over the whole run: idle draw has no load window",)
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
    account = Account(
        power=power.source,
        numbers={
            "samples_used": b - a + 1 if not power.grain_s else power.used,
            "left_out": power.left_out,
        },
    )
    budget, reason = _mean_budget(run, word, mean, power, window)
    scatter, too_short = mean_parts(run, power, symbol, a, b)
    budget = (*budget, *scatter) if budget else ()
    moment_of = {"min": low, "max": high}
    out = [
        MEAN.found(
            f"{word}_mean_{suffix}",
            mean,
            unit,
            budget=budget,
            reason=reason,
            span=span,
            account=account,
            warnings=(*note, *too_short.notes),
            flags=too_short.flags,
        )
    ]
    for kind, (at, value) in moment_of.items():
        when = float(power.t[at])
        out.append(
            EXTREME.found(
                f"{word}_{kind}_{suffix}",
                value,
                unit,
                budget=_extreme_budget(run, word, value, power, (at, a, b)),
                reason=reason,
                span=span,
                account=account.plus(at_s=when),
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
            account=account,
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


def mean_parts(run: Prepared, power: Electrical, symbol: str, a: int, b: int) -> tuple[tuple[Contribution, ...], Bound]:
    """What a mean over kept samples a to b owes to scatter, and a note where the log is too short to know it.

    Idle draw stands for a longer time than the log: batch means. Of any other run the mean is of the log itself, and
    what lies between its samples is not known.
    """
    t, y = power.t[a : b + 1], getattr(power, symbol)[a : b + 1]
    if run.context.kind == "standby":
        return idle_parts(t, y)
    grain = run.signals.step_s if power.grain_s else 0.0
    scatter, edges = sampling_u(t, y, power.is_gap[a:b], grain_s=grain)
    hours = power.integral("hours", a, b) * HOUR_S
    if hours <= 0.0:
        return (), Bound()
    return (scatter_part(math.hypot(scatter, edges) / hours, "between samples, from second differences"),), Bound()


def idle_parts(t: Array, y: Array) -> tuple[tuple[Contribution, ...], Bound]:
    """Scatter of the mean of an idle draw, with its correlation in time; and a note where the log is too short."""
    found = mean_scatter(t, y)
    if found is None:
        return (), Bound(("too short: under ten samples tell no scatter",), frozenset({Flag.TOO_SHORT}))
    if not found.is_short:
        return (batch_part(found),), Bound()
    note = f"too short: a log of {found.wanted_s:.0f} s would tell its scatter, this one has {found.length_s:.0f} s"
    return (batch_part(found),), Bound((note,), frozenset({Flag.TOO_SHORT}))


def _extreme_budget(
    run: Prepared, word: str, value: float, power: Electrical, at: tuple[int, int, int]
) -> tuple[Contribution, ...]:
    """The reading's own, and what noise adds to the largest or smallest of many readings."""
    k, a, b = at
    budget = _reading(run, word, value, power, k)
    if not budget:
        return ()
    y = getattr(power, {"voltage": "v", "current": "i", "power": "p"}[word])[a : b + 1]
    reach = noise(y) * math.sqrt(2.0 * math.log(max(len(y), 2)))
    return (*budget, one_sided("largest of many", reach, f"noise of {len(y)} readings goes so far"))


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


def _of_series(run: Prepared, word: str, unit: str, series: SampleSeries) -> list[Result]:
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
            account=Account(numbers={"samples_used": len(series)}),
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
            account=Account(numbers={"samples_used": len(series)}),
            reason=_no_spread(len(series), sd) or reason,
        )
    )
    return out


def _redo_plateau(place: Place) -> str:
    return f"{plateau(place)}\nSELECT plateau_w AS {place.result.name} FROM plateau"


def _redo_record(place: Place) -> str | None:
    name = place.result.name
    what = {
        "duration_s": "max(t_s) - min(t_s)",
        "samples": "count(*)",
        "interval_s": "median(step) FILTER (step > 0)",
        "gap_s": "coalesce(sum(step) FILTER (step > longest), 0)",
    }.get(name)
    return f"{clock(place)}\nSELECT {what} AS {name} FROM clock, usual" if what else None


def _weighted(place: Place) -> str | None:
    """Values over the span with the time each stands for, and their mean: parts of a WITH."""
    word = place.result.name.partition("_")[0]
    if word not in CHANNELS:
        return None
    symbol, channel = CHANNELS[word]
    if place.account.power is not None:
        begin = f"{place.steps()}, part AS (SELECT t_s, n, {symbol} AS y FROM samples WHERE {place.within()})"
    else:
        begin = (
            f"{clock(place)}, part AS (\n  SELECT t_s, file_row_number AS n, {place.channel(channel)} AS y\n"
            f"  FROM {place.source} AND {channel} IS NOT NULL AND {place.within()}\n)"
        )
    return (
        f"{begin}, pairs AS (\n  SELECT y, t_s - lag(t_s) OVER w AS back, lead(t_s) OVER w - t_s AS ahead\n"
        "  FROM part WINDOW w AS (ORDER BY n)\n), weighted AS (\n"
        "  SELECT y, (CASE WHEN back <= longest THEN back ELSE 0 END\n"
        "    + CASE WHEN ahead <= longest THEN ahead ELSE 0 END) / 2 AS w FROM pairs, usual\n), middle AS (\n"
        "  SELECT sum(w * y) / sum(w) AS mean, sum(w) AS a, sum(w * w) AS b FROM weighted\n)"
    )


def _mean(place: Place) -> str | None:
    """Time-weighted mean over the span, gaps left out."""
    begin = _weighted(place)
    return begin and f"{begin}\nSELECT mean AS {place.result.name} FROM middle"


def _spread(place: Place) -> str | None:
    begin = _weighted(place)
    return begin and (
        f"{begin}\nSELECT sqrt(sum(w * (y - mean) ** 2) / any_value(a - b / a)) AS {place.result.name}\n"
        "FROM weighted, middle"
    )


def _extreme(place: Place) -> str | None:
    word, which, _ = (*place.result.name.split("_"), "", "")[:3]
    if word not in CHANNELS or which not in ("min", "max"):
        return None
    symbol, channel = CHANNELS[word]
    if place.account.power is not None:
        return f"{place.track()}\nSELECT {which}({symbol}) AS {place.result.name} FROM samples WHERE {place.within()}"
    return (
        f"SELECT {which}({place.channel(channel)}) AS {place.result.name}\nFROM {place.source} "
        f"AND {channel} IS NOT NULL AND {place.within()}"
    )


DURATION_S = ResultSpec(
    "duration_s",
    "duration",
    "s",
    shown=Shown.DURATION,
    glance=None,
    filter_words={"hours": 3600.0, "minutes": 60.0, "seconds": 1.0},
    redo=_redo_record,
)
INTERVAL_S = ResultSpec("interval_s", "sampling interval", "s", glance=None, redo=_redo_record)
POWER_PLATEAU_W = ResultSpec(
    "power_plateau_w",
    "plateau power",
    "W",
    kinds=("discharge",),
    on_page={"recharge": 40},
    glance=70,
    runs_column=True,
    filter_words={"plateau": 1.0},
    redo=_redo_plateau,
)
POWER_MEAN_W = ResultSpec(
    "power_mean_w",
    "mean power",
    "W",
    kinds=("discharge", "recharge"),
    glance=None,
    runs_column=True,
    filter_words={"w": 1.0},
    redo=_mean,
)
VOLTAGE_MEAN_V = ResultSpec(
    "voltage_mean_v",
    "mean voltage",
    "V",
    kinds=("regulation", "discharge"),
    glance=None,
    runs_column=True,
    filter_words={"v": 1.0},
    redo=_mean,
)
CURRENT_MEAN_A = ResultSpec(
    "current_mean_a", "mean current", "A", glance=None, runs_column=True, filter_words={"a": 1.0}, redo=_mean
)
VOLTAGE_MIN_V = ResultSpec(
    "voltage_min_v",
    "minimum voltage",
    "V",
    kinds=("regulation", "discharge"),
    on_page={"regulation": 40},
    glance=None,
    runs_column=True,
    redo=_extreme,
)
VOLTAGE_MAX_V = ResultSpec(
    "voltage_max_v",
    "maximum voltage",
    "V",
    kinds=("regulation", "discharge"),
    glance=None,
    runs_column=True,
    redo=_extreme,
)
SPECS = (
    DURATION_S,
    ResultSpec(
        "samples", "samples", "1", shown=Shown.COUNT, glance=None, filter_words={"samples": 1.0}, redo=_redo_record
    ),
    INTERVAL_S,
    ResultSpec(
        "gap_s",
        "gaps in the log",
        "s",
        shown=Shown.DURATION,
        glance=None,
        runs_column=True,
        redo=_redo_record,
    ),
    POWER_PLATEAU_W,
    POWER_MEAN_W,
    VOLTAGE_MEAN_V,
    CURRENT_MEAN_A,
    VOLTAGE_MIN_V,
    VOLTAGE_MAX_V,
    ResultSpec("current_min_a", "minimum current", "A", glance=None, redo=_extreme),
    ResultSpec("current_max_a", "maximum current", "A", glance=None, runs_column=True, redo=_extreme),
    ResultSpec("power_min_w", "minimum power", "W", glance=None, redo=_extreme),
    ResultSpec("power_max_w", "maximum power", "W", glance=None, runs_column=True, redo=_extreme),
    *(
        ResultSpec(
            f"{word}_sd_{SUFFIX[word]}",
            f"standard deviation of {word}",
            unit,
            short=f"sd of {word}",
            glance=None,
            redo=_spread,
        )
        for word, _, unit, _ in QUANTITIES
    ),
)
REDUCERS = (Reducer("summary", EVERY, reduce, METHODS, place=0),)
