"""How hot it became, whether it was steady, and where first-order heating would end. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from store.results.base import Array, Contribution, Result
from store.results.budget import difference_part, random_part, reading_budget, scaled, time_budget
from store.results.detectors import last_in_band
from store.results.heatfit import FirstOrderFit, binned, fit_first_order
from store.results.method import Found, Method
from store.results.prepared import Prepared
from store.results.signals import Series
from store.results.statistics import lag_one, median_of_three, noise, runs_of
from store.results.touch import EDITION, MATERIALS, OVER, touch_class

__all__ = ["METHODS", "line_fit", "reduce", "steady_since", "time_to"]

RISE = Method(
    "rise", 1, "largest temperature minus ambient: the logged one at that moment, else the stated one, else the start"
)
SLOPE = Method(
    "end slope",
    3,
    "least squares line over the last 10 minutes under load; its ends are known to the thermometer's steps",
    "GUM F.2.2.1 for the steps",
)
STEADY = Method(
    "steady",
    2,
    "first moment, from load applied, from which the change over the window that looks back stays within the rule to "
    "the load's end",
    "IEC 62368-1 B.1.6",
)
FIT = Method(
    "first-order heating",
    2,
    "least squares of T = T0 + rise x (1 - exp(-t / tau)) from load applied while the load held; standard errors "
    "widened for residuals that go together; nothing is projected where the log itself went past the fit's end",
    "checked on NIST StRD Misra1a and BoxBOD",
)
REACH = Method("time to limit", 2, "first moment at the limit, from load applied; else from the heating fit")
TOUCH = Method("touch class", 1, "largest temperature against the touch limits, for plastic and for metal", EDITION)
METHODS = (RISE, SLOPE, STEADY, FIT, REACH, TOUCH)

PROBES = ("temperature_c", "temperature_cell_c", "temperature_2_c", "temperature_plug_c")
NAMES = (
    ("rise_k", "K"),
    ("end_slope_k_per_h", "K/h"),
    ("steady", ""),
    ("steady_since_s", "s"),
    ("heat_fit_rise_k", "K"),
    ("heat_time_constant_s", "s"),
    ("temperature_projected_c", "°C"),
    ("time_to_limit_s", "s"),
    ("touch_class", ""),
)


@dataclass(frozen=True, slots=True)
class Heated:
    """The temperature of a run under load."""

    channel: str
    whole: Series
    loaded: Series
    """From load applied to the load's end."""
    steady_load: Series
    """From load applied while the load held its level: what a fit may use."""
    note: str = ""
    """How the end of heating was told, where the log has no power to tell it."""

    @property
    def inputs(self) -> dict[str, float | str]:
        """What every result of heat rests on."""
        told: dict[str, float | str] = {"probe": self.channel}
        return {**told, "heating ends": self.note} if self.note else told

    @property
    def hottest(self) -> float:
        """Largest median of three of the whole log [degC]."""
        return float(np.max(median_of_three(self.whole.y)))


def reduce(run: Prepared) -> Found:
    """Section 6 of the results, for any run that logged a temperature."""
    channel = next((c for c in PROBES if c in run.signals.series), None)
    if channel is None:
        if run.context.kind != "heat":
            return Found()
        reason = "no temperature of the device was logged"
        return Found(tuple(RISE.absent(name, unit, reason) for name, unit in NAMES))
    heated = _heated(run, channel)
    fit = _fit(run, heated)
    results = [
        _rise(run, heated),
        _slope(run, heated),
        *_steady(run, heated),
        *_fit_results(run, heated, fit),
        time_to(run, run.limits["touch_limit_c"], heated=heated, fit=fit),
        _touch(run, heated),
    ]
    return Found(tuple(results))


def _heated(run: Prepared, channel: str) -> Heated:
    whole = run.signals.series[channel]
    window, power = run.window, run.signals.power
    if window is None or power is None:
        heating, note = _until_hottest(run, whole)
        return Heated(channel, whole, heating, heating, note)
    loaded = whole.between(window.from_s, window.to_s)
    if not len(loaded):
        return Heated(channel, whole, whole, whole)
    part = power.p3[window.a : window.b + 1]
    t = power.t[window.a : window.b + 1]
    off = np.abs(part - window.plateau_w) > 0.15 * window.plateau_w
    long_off = [a for a, b in runs_of(off) if t[b] - t[a] > run.limits["pause_min_s"] and t[a] > t[0]]
    until = float(t[long_off[0]]) if long_off else window.to_s
    if not long_off and (last := last_in_band(part, window.plateau_w, 0.15)) is not None:
        until = float(t[last])
    return Heated(channel, whole, loaded, whole.between(window.from_s, until))


def _until_hottest(run: Prepared, whole: Series) -> tuple[Series, str]:
    """A log of temperature alone up to where it was last at its hottest, where it cools down by over 3 K after that."""
    steady = median_of_three(whole.y)
    top, end = float(steady.max()), float(np.median(steady[-3:]))
    if top - end <= run.limits["steady_k"]:
        return whole, ""
    close = max(_step_of(whole.y), 4.0 * noise(whole.y))
    last = int(np.flatnonzero(steady >= top - close)[-1])
    told = (
        f"at {float(whole.t[last]):.0f} s, hottest: the log has no power to tell the load's end, and cools after that"
    )
    return Series(whole.t[: last + 1], whole.y[: last + 1]), told


def _accuracy(run: Prepared, value: float) -> tuple[Contribution, ...]:
    return reading_budget("T", run.meter.temperature, value, "°C", run.meter.label)


def _rise(run: Prepared, heated: Heated) -> Result:
    steady = median_of_three(heated.whole.y)
    top = int(np.argmax(steady))
    hottest, at = float(steady[top]), float(heated.whole.t[top])
    ambient, over, parts = _ambient(run, heated, at)
    accuracy = run.meter.temperature
    budget: list[Contribution] = []
    if accuracy is not None:
        rise = hottest - ambient
        budget = [
            _resolution(heated.whole.y),
            Contribution("gain of T", abs(rise) * accuracy.gain_u, "B", "rectangular", accuracy.text, is_common=True),
            *parts,
        ]
    return RISE.found(
        "rise_k",
        hottest - ambient,
        "K",
        budget=budget,
        reason=run.meter.unknown("temperature"),
        span=(float(heated.whole.t[0]), at),
        inputs={"over": over, "ambient_c": ambient, "hottest_c": hottest, "at_s": at, "probe": heated.channel},
    )


def _step_of(y: Array) -> float:
    """Smallest step of a thermometer's readings [K]; 0 where it never moved."""
    steps = np.abs(np.diff(y))
    steps = steps[steps > 1e-6]
    return float(steps.min()) if len(steps) else 0.0


def _resolution(y: Array) -> Contribution:
    """What the thermometer's steps add to a difference of two readings: d / sqrt 12 each (GUM F.2.2.1)."""
    size = _step_of(y)
    return Contribution(
        "resolution of T", size / np.sqrt(6.0), "B", "rectangular", f"steps of {size:.3g} K, two readings"
    )


def _ambient(run: Prepared, heated: Heated, at: float) -> tuple[float, str, list[Contribution]]:
    """Ambient, where it is from, and what it adds to the budget of a rise."""
    accuracy = run.meter.temperature
    offset = accuracy.offset_u if accuracy is not None else 0.0
    probe = Contribution("offset of T", offset, "B", "rectangular", "the probe on the device")
    logged = run.signals.series.get("temperature_ambient_c")
    if logged is not None:
        near = logged.between(at - 60.0, at + 60.0)
        value = float(np.mean(near.y)) if len(near) else float(np.interp(at, logged.t, logged.y))
        other = Contribution("offset of ambient T", offset, "B", "rectangular", "the ambient probe")
        return value, "logged ambient", [probe, other]
    if run.context.ambient_c is not None:
        limit = run.limits["ambient_stated_k"]
        stated = difference_part("stated ambient", limit, f"noted by hand, taken as good to {limit:g} K")
        return run.context.ambient_c, "stated ambient", [probe, stated]
    return float(heated.whole.y[0]), "first sample", []


def line_fit(x: Array, y: Array) -> tuple[float, float, float]:
    """Least squares line: slope, its standard error widened for residuals that go together, and intercept.

    Args:
        x: n values, n >= 3, not all alike.
        y: n values.
    """
    mx, my = float(x.mean()), float(y.mean())
    sxx = float((x - mx) @ (x - mx))
    slope = float((x - mx) @ (y - my)) / sxx
    rest = y - my - slope * (x - mx)
    r = min(max(lag_one(rest), 0.0), 0.98) if len(x) > 4 else 0.0
    se = float(np.sqrt(float(rest @ rest) / (len(x) - 2) / sxx * (1.0 + r) / (1.0 - r)))
    return slope, se, my - slope * mx


def _slope(run: Prepared, heated: Heated) -> Result:
    span_s = run.limits["end_slope_s"]
    end = float(heated.loaded.t[-1])
    part = heated.loaded.between(end - span_s, end)
    if end - float(heated.loaded.t[0]) < 0.99 * span_s or len(part) < 5:
        reason = f"the load lasted {end - float(heated.loaded.t[0]):.0f} s, the line needs {span_s:.0f} s"
        return SLOPE.absent("end_slope_k_per_h", "K/h", reason)
    slope, se, _ = line_fit(part.t, part.y)
    length = end - float(part.t[0])
    steps = scaled([_resolution(heated.whole.y)], 3600.0 / length)
    # a line through readings that never changed has no scatter, and steps that were never seen have no size
    is_known = se > 0.0 or steps[0].standard_uncertainty > 0.0
    scatter = random_part(se * 3600.0, f"{len(part)} samples about the line")
    return SLOPE.found(
        "end_slope_k_per_h",
        slope * 3600.0,
        "K/h",
        budget=(scatter, *steps) if is_known else (),
        reason="the reading never changed, so the thermometer's steps are not known",
        span=(float(part.t[0]), end),
        inputs={**heated.inputs, "samples used": len(part)},
    )


def steady_since(t: Array, temperature_c: Array, rise_k: float, window_s: float) -> float | None:
    """First moment [s] from which the rise over the last `window_s` stays at `rise_k` or less, to the end.

    Args:
        t: n times [s], increasing.
        temperature_c: n temperatures, without single wild readings.
        rise_k: largest change allowed [K], either way.
        window_s: how far the rule looks back [s].

    Returns:
        The moment, interpolated between samples, or None where it is not met at the end or the log is
        shorter than the window. Source: IEC 62368-1 B.1.6 for 3 K in 30 min.
    """
    ends = t[t - t[0] >= window_s]
    if not len(ends):
        return None
    back = np.interp(ends - window_s, t, temperature_c)
    change = np.abs(np.interp(ends, t, temperature_c) - back)
    over = np.flatnonzero(change > rise_k)
    if not len(over):
        return float(ends[0])
    k = int(over[-1])
    if k == len(ends) - 1:
        return None
    share = (change[k] - rise_k) / (change[k] - change[k + 1])
    return float(ends[k] + share * (ends[k + 1] - ends[k]))


def _steady(run: Prepared, heated: Heated) -> list[Result]:
    rise_k, window_s = run.limits["steady_k"], run.limits["steady_window_s"]
    rule = f"{rise_k:g} K in {window_s / 60.0:g} min"
    t, y = binned(heated.loaded.t, median_of_three(heated.loaded.y), 4000)
    length = float(t[-1] - t[0])
    if length < window_s:
        reason = f"the load lasted {length / 60.0:.0f} min, the rule ({rule}) looks back {window_s / 60.0:g} min"
        return [STEADY.absent("steady", "", reason), STEADY.absent("steady_since_s", "s", reason)]
    since = steady_since(t, y, rise_k, window_s)
    span = (float(t[0]), float(t[-1]))
    change = float(y[-1] - np.interp(t[-1] - window_s, t, y))
    inputs: dict[str, float | str] = {
        "rule": rule, "change at the end (K)": change, "largest change (K)": rise_k, "looks back (s)": window_s,
        "samples per point": -(-len(heated.loaded) // 4000), "load ends at (s)": float(heated.loaded.t[-1]),
        **heated.inputs,
    }  # fmt: skip
    if since is None:
        reason = f"not steady by {rule}: {change:+.1f} K in the last {window_s / 60.0:g} min"
        return [
            STEADY.words("steady", f"no ({rule}: {change:+.1f} K)", span=span, inputs=inputs),
            STEADY.absent("steady_since_s", "s", reason),
        ]
    return [
        STEADY.words("steady", f"yes ({rule}: {change:+.1f} K)", span=span, inputs=inputs),
        _steady_moment(run, heated, t, y, since=since, inputs=inputs),
    ]


def _steady_moment(
    run: Prepared, heated: Heated, t: Array, y: Array, *, since: float, inputs: dict[str, float | str]
) -> Result:
    """The moment with its uncertainty: that of the change, over how fast the change falls there."""
    window_s = run.limits["steady_window_s"]
    start = float(t[0])
    budget: tuple[Contribution, ...] = ()
    reason = ""
    warnings: tuple[str, ...] = ()
    if since <= start + window_s + 1.5 * run.signals.step_s:
        warnings = ("steady as soon as the rule could look back: it may have been so earlier",)
        budget = time_budget(run.signals.step_s, 1)
    else:
        budget, reason = _moment_budget(run, heated, t, y, since)
    return STEADY.found(
        "steady_since_s", since - start, "s", budget=budget, reason=reason, span=(start, since), warnings=warnings,
        inputs=inputs,
    )  # fmt: skip


def _moment_budget(
    run: Prepared, heated: Heated, t: Array, y: Array, since: float
) -> tuple[tuple[Contribution, ...], str]:
    """What a change of temperature is known to, over how fast it falls at that moment; or why that is unknown."""
    window_s, rise_k = run.limits["steady_window_s"], run.limits["steady_k"]
    ends = t[(np.abs(t - since) <= 300.0) & (t - t[0] >= window_s)]
    change = np.abs(np.interp(ends, t, y) - np.interp(ends - window_s, t, y))
    rate = -line_fit(ends, change)[0] if len(ends) >= 5 else 0.0
    accuracy = run.meter.temperature
    if rate <= 0.0 or accuracy is None:
        return (), run.meter.unknown("temperature") or "the change is flat there: the moment is not determined"
    over = f"over {rate * 3600.0:.3g} K/h"
    gain = Contribution("gain of T", rise_k * accuracy.gain_u, "B", "rectangular", f"{accuracy.text}, {over}")
    scatter = random_part(math.sqrt(2.0) * noise(y), f"noise of two readings, {over}")
    return scaled((_resolution(heated.whole.y), gain, scatter), 1.0 / rate), ""


def _fit(run: Prepared, heated: Heated) -> FirstOrderFit | str:
    """The fit, or why there can be none."""
    part = heated.steady_load
    if len(part) < 6:
        return f"{len(part)} samples of temperature while the load held are too few"
    if float(part.y.max() - part.y[0]) < 1.0:
        return "the temperature rose by under 1 K while the load held"
    t, y = binned(part.t - part.t[0], median_of_three(part.y))
    if len(t) < 6 or float(t[-1] - t[0]) <= 0.0:
        return "too few samples for a fit"
    fit = fit_first_order(
        t,
        y,
        error_share=run.limits["fit_error_share"],
        residual_share=run.limits["fit_residual_share"],
        covers=run.limits["fit_covers"],
    )
    if fit.refusal or fit.is_short:
        return fit
    # the log's own largest mean of a twentieth of its length is known far better than one sample
    width = max(1, len(y) // 20)
    reached = float(np.max(np.convolve(y, np.full(width, 1.0 / width), "valid")))
    past = reached - fit.final
    if past > 2.0 * fit.final_se * fit.inflation + _step_of(part.y):
        told = (
            f"the log itself went {past:.1f} K past the fit's end of {fit.final:.1f} °C: heat grew while the load held"
        )
        return replace(fit, refusal=told)
    return fit


def _fit_results(run: Prepared, heated: Heated, fit: FirstOrderFit | str) -> list[Result]:
    names = (("heat_fit_rise_k", "K"), ("heat_time_constant_s", "s"), ("temperature_projected_c", "°C"))
    if isinstance(fit, str) or fit.refusal or fit.is_short:
        reason = fit if isinstance(fit, str) else fit.refusal
        if not reason and not isinstance(fit, str):
            reason = (
                f"the log covers {fit.covers:.2f} of a time constant of about {fit.tau:.0f} s: "
                "far from its plateau, where it would end is not known"
            )
        return [FIT.absent(name, unit, f"no heating fit: {reason}") for name, unit in names]
    span = (float(heated.steady_load.t[0]), float(heated.steady_load.t[-1]))
    inputs: dict[str, float | str] = {
        **heated.inputs,
        "start_c": fit.start,
        "rise_k": fit.rise,
        "time_constant_s": fit.tau,
        "samples per point": -(-len(heated.steady_load) // 600),
        "residual_sd_k": fit.residual_sd,
        "covers (time constants)": fit.covers,
        "standard errors widened by": fit.inflation,
    }
    scatter = {
        "heat_fit_rise_k": fit.rise_se,
        "heat_time_constant_s": fit.tau_se,
        "temperature_projected_c": fit.final_se,
    }
    values = {"heat_fit_rise_k": fit.rise, "heat_time_constant_s": fit.tau, "temperature_projected_c": fit.final}
    out = []
    for name, unit in names:
        budget = [random_part(scatter[name] * fit.inflation, "standard error of the fit")]
        reason = ""
        uncertainty: float | None = None
        if name == "temperature_projected_c":
            more = _accuracy(run, fit.final)
            budget, reason = ([*budget, *more], "") if more else ([], run.meter.unknown("temperature"))
        out.append(
            FIT.found(
                name,
                values[name],
                unit,
                budget=budget,
                uncertainty=uncertainty,
                reason=reason,
                span=span,
                inputs=inputs,
            )
        )
    return out


def time_to(
    run: Prepared, limit_c: float, *, heated: Heated | None = None, fit: FirstOrderFit | str | None = None
) -> Result:
    """When the device reached a temperature, from load applied: seen in the log, else projected by the fit.

    Args:
        run: the prepared run.
        limit_c: the temperature [degC].
        heated: its temperature, where at hand.
        fit: its heating fit, where at hand.
    """
    if heated is None:
        channel = next((c for c in PROBES if c in run.signals.series), None)
        if channel is None:
            return REACH.absent("time_to_limit_s", "s", "no temperature of the device was logged")
        heated = _heated(run, channel)
    fit = _fit(run, heated) if fit is None else fit
    series = heated.loaded
    inputs: dict[str, float | str] = {"limit_c": limit_c, **heated.inputs}
    start = float(series.t[0])
    over = median_of_three(series.y) >= limit_c
    if over.any():
        at = float(series.t[int(np.argmax(over))])
        accuracy = run.meter.temperature
        reason = run.meter.unknown("temperature")
        budget: list[Contribution] = []
        if accuracy is not None:
            rate = _rate(series, at)
            budget = (
                [
                    Contribution(
                        "accuracy of T",
                        accuracy.reading_u(limit_c) / rate,
                        "B",
                        "rectangular",
                        f"over {rate * 3600:.3g} K/h",
                    )
                ]
                if rate > 0.0
                else []
            )
            reason = "the curve is flat there: the moment is not determined"
        return REACH.found(
            "time_to_limit_s", at - start, "s", budget=budget, reason=reason, span=(start, at), inputs=inputs
        )
    hottest = float(np.max(median_of_three(series.y)))
    if isinstance(fit, str) or fit.refusal or fit.is_short or fit.final <= limit_c:
        return REACH.absent(
            "time_to_limit_s", "s", f"{limit_c:g} °C not reached: {hottest:.1f} °C at most", inputs=inputs
        )
    return _projected(run, heated, fit, limit_c, inputs)


def _projected(
    run: Prepared, heated: Heated, fit: FirstOrderFit, limit_c: float, inputs: dict[str, float | str]
) -> Result:
    """When the fit reaches the limit, with the errors of the fit and of the thermometer over the rate there."""
    seconds, fit_u = fit.time_to(limit_c)
    start = float(heated.steady_load.t[0])
    rate = fit.rate_at(limit_c)
    accuracy = run.meter.temperature
    budget: tuple[Contribution, ...] = ()
    if accuracy is not None:
        detail = f"{accuracy.text}, over {rate * 3600.0:.3g} K/h"
        reading = Contribution("accuracy of T", accuracy.reading_u(limit_c) / rate, "B", "rectangular", detail)
        budget = (random_part(fit_u, "standard errors of the fit's three parameters, correlated"), reading)
    more: dict[str, float | str] = {
        "start_c": fit.start, "rise_k": fit.rise, "time_constant_s": fit.tau,
        "samples per point": -(-len(heated.steady_load) // 600),
        "fitted to (s)": float(heated.steady_load.t[-1]),
    }  # fmt: skip
    warning = f"projected by the heating fit: the log ends at {float(heated.loaded.y[-1]):.1f} °C"
    return REACH.found(
        "time_to_limit_s",
        seconds,
        "s",
        budget=budget,
        reason=run.meter.unknown("temperature"),
        span=(start, start + seconds),
        inputs={**inputs, **more},
        warnings=(warning,),
    )


def _rate(series: Series, at: float) -> float:
    """Slope of the temperature about a moment [K/s], over 10 min at most."""
    near = series.between(at - 300.0, at + 300.0)
    return line_fit(near.t, near.y)[0] if len(near) >= 5 else 0.0


def _touch(run: Prepared, heated: Heated) -> Result:
    hottest = heated.hottest
    accuracy = run.meter.temperature
    expanded = 2.0 * accuracy.reading_u(hottest) if accuracy is not None else None
    words, warnings = [], []
    for material in MATERIALS:
        row = touch_class(hottest, material)
        words.append(f"{material}: {row.words if row else OVER}")
        if expanded is not None and row is not None and row.limit_c(material) - hottest < expanded:
            warnings.append(
                f"{material}: within the thermometer's uncertainty of the limit of {row.limit_c(material):g} °C"
            )
    if expanded is None:
        warnings.append(f"the class may be one off: {run.meter.unknown('temperature')}")
    ambient = run.context.ambient_c
    if ambient is not None and abs(ambient - 25.0) > 5.0:
        warnings.append(f"limits hold at about 25 °C ambient, this was {ambient:g} °C")
    inputs: dict[str, float | str] = {"hottest_c": hottest, "probe": heated.channel, "limits": EDITION}
    span = (float(heated.whole.t[0]), float(heated.whole.t[-1]))
    return TOUCH.words("touch_class", "; ".join(words), span=span, warnings=warnings, inputs=inputs)
