"""Where first-order heating would end, and when a temperature is reached. Knows arrays only."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from store.methods.heat_steady import points_of
from store.methods.method import Method
from store.methods.sql_parts import Place, number, smooth
from store.model.results import Account, Contribution, Flag, Result
from store.model.spec import ResultSpec, Shown
from store.signal.heated import Heated, heated_of, line_fit, probe_of, step_of
from store.signal.heatfit import FirstOrderFit, binned, fit_first_order
from store.signal.prepared import Prepared
from store.signal.signals import SampleSeries
from store.signal.statistics import median_of_three
from store.uncertainty.budget import random_part, reading_budget
from store.uncertainty.sampling import clock_of, scatter_part

__all__ = ["FIT", "REACH", "SPECS", "fit_of", "fit_results", "time_to"]

FIT = Method(
    "first-order heating",
    3,
    "least squares of T = T0 + rise x (1 - exp(-t / tau)) from load applied while the load held; standard errors "
    "widened for correlated residuals; nothing is projected where the log itself went past the fit's end",
    "checked on NIST StRD Misra1a and BoxBOD",
)
REACH = Method("time to limit", 3, "first moment at the limit, from load applied; else from the heating fit")


def _accuracy(run: Prepared, value: float) -> tuple[Contribution, ...]:
    return reading_budget("T", run.meter.temperature, value, "°C", run.meter.label)


def fit_of(run: Prepared, heated: Heated) -> FirstOrderFit | str:
    """The fit, or why there can be none."""
    part = heated.steady_load
    if len(part) < 6:
        return f"{len(part)} samples of temperature while the load held are too few"
    if float(part.y.max() - part.y[0]) < 1.0:
        return "the temperature rose by under 1 K while the load held"
    t, y = binned(part.t - heated.begins_s, median_of_three(part.y))
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
    if past > 2.0 * fit.final_se * fit.inflation + step_of(part.y):
        told = (
            f"the log itself went {past:.1f} K past the fit's end of {fit.final:.1f} °C: heat grew while the load held"
        )
        return replace(fit, refusal=told)
    return fit


def fit_results(run: Prepared, heated: Heated, fit: FirstOrderFit | str) -> list[Result]:
    """heat_fit_rise_k, heat_time_constant_s and temperature_projected_c, or why there are none."""
    names = (("heat_fit_rise_k", "K"), ("heat_time_constant_s", "s"), ("temperature_projected_c", "°C"))
    if isinstance(fit, str) or fit.refusal or fit.is_short:
        reason = fit if isinstance(fit, str) else fit.refusal
        if not reason and not isinstance(fit, str):
            reason = (
                f"the log covers {fit.covers:.2f} of a time constant of about {fit.tau:.0f} s: "
                "far from its plateau, where it would end is not known"
            )
        return [FIT.absent(name, unit, f"no heating fit: {reason}") for name, unit in names]
    span = (heated.begins_s, float(heated.steady_load.t[-1]))
    account = heated.account.plus(
        start_c=fit.start,
        rise_k=fit.rise,
        time_constant_s=fit.tau,
        samples_per_point=-(-len(heated.steady_load) // 600),
        residual_sd_k=fit.residual_sd,
        covers=fit.covers,
        widened_by=fit.inflation,
    )
    scatter = {
        "heat_fit_rise_k": fit.rise_se,
        "heat_time_constant_s": fit.tau_se,
        "temperature_projected_c": fit.final_se,
    }
    values = {"heat_fit_rise_k": fit.rise, "heat_time_constant_s": fit.tau, "temperature_projected_c": fit.final}
    accuracy = run.meter.temperature
    told = f"standard error of the fit, {fit.dof + 3} points that go together in time"
    edge = fit.rise / fit.tau * heated.begin_u
    more: dict[str, tuple[Contribution, ...]] = {"heat_time_constant_s": (clock_of(run.meter, fit.tau),)}
    if accuracy is not None:
        gain = Contribution(
            "gain of T", abs(fit.rise) * accuracy.gain_u, "B", "rectangular", accuracy.text, is_common=True
        )
        load_on = Contribution(
            "edge: load on", abs(edge), "B", "rectangular", "how far the fit's start lies on the rise"
        )
        more["heat_fit_rise_k"] = (gain, load_on)
        more["temperature_projected_c"] = _accuracy(run, fit.final)
    out = []
    for name, unit in names:
        scattered = scatter_part(scatter[name] * fit.inflation, told, fit.left)
        budget = (scattered, *more[name]) if name in more else ()
        reason = "" if budget else run.meter.unknown("temperature")
        out.append(FIT.found(name, values[name], unit, budget=budget, reason=reason, span=span, account=account))
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
        channel = probe_of(run)
        if channel is None:
            return REACH.absent("time_to_limit_s", "s", "no temperature of the device was logged")
        heated = heated_of(run, channel)
    fit = fit_of(run, heated) if fit is None else fit
    series = heated.loaded
    account = heated.account.plus(limit_c=limit_c)
    start = heated.begins_s
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
            "time_to_limit_s", at - start, "s", budget=budget, reason=reason, span=(start, at), account=account
        )
    hottest = float(np.max(median_of_three(series.y)))
    if isinstance(fit, str) or fit.refusal or fit.is_short or fit.final <= limit_c:
        return REACH.absent(
            "time_to_limit_s",
            "s",
            f"{limit_c:g} °C not reached: {hottest:.1f} °C at most",
            account=account,
            flags=(Flag.NOT_REACHED,),
        )
    return _projected(run, heated, fit, limit_c, account)


def _projected(run: Prepared, heated: Heated, fit: FirstOrderFit, limit_c: float, account: Account) -> Result:
    """When the fit reaches the limit, with the errors of the fit and of the thermometer over the rate there."""
    seconds, fit_u = fit.time_to(limit_c)
    start = heated.begins_s
    rate = fit.rate_at(limit_c)
    accuracy = run.meter.temperature
    budget: tuple[Contribution, ...] = ()
    if accuracy is not None:
        detail = f"{accuracy.text}, over {rate * 3600.0:.3g} K/h"
        reading = Contribution("accuracy of T", accuracy.reading_u(limit_c) / rate, "B", "rectangular", detail)
        budget = (random_part(fit_u, "standard errors of the fit's three parameters, correlated"), reading)
    warning = f"projected by the heating fit: the log ends at {float(heated.loaded.y[-1]):.1f} °C"
    return REACH.found(
        "time_to_limit_s",
        seconds,
        "s",
        budget=budget,
        reason=run.meter.unknown("temperature"),
        span=(start, start + seconds),
        account=account.plus(
            start_c=fit.start,
            rise_k=fit.rise,
            time_constant_s=fit.tau,
            samples_per_point=-(-len(heated.steady_load) // 600),
            fitted_to_s=float(heated.steady_load.t[-1]),
        ),
        flags=(Flag.PROJECTED,),
        warnings=(warning,),
    )


def _rate(series: SampleSeries, at: float) -> float:
    """Slope of the temperature about a moment [K/s], over 10 min at most."""
    near = series.between(at - 300.0, at + 300.0)
    return line_fit(near.t, near.y)[0] if len(near) >= 5 else 0.0


def _line(place: Place, until_s: float | None) -> str | None:
    """The fit's line of y over g = 1 - exp(-x / tau), tau to seven digits, and one step from it: parts of a WITH."""
    start = place.result.from_s
    if start is None or until_s is None:
        return None
    begin = points_of(place, f"t_s BETWEEN {number(start)} AND {number(until_s)}", number(start))
    if begin is None:
        return None
    tau = number(float(f"{place.given('time_constant_s'):.7g}"))
    return (
        f"{begin}, grown AS (SELECT x, y, 1 - exp(-x / {tau}) AS g FROM points), line AS (\n"
        "  SELECT regr_slope(y, g) AS b, regr_intercept(y, g) AS a FROM grown\n), rest AS (\n"
        f"  SELECT g, y - a - b * g AS e, -b * x / {tau} ** 2 * exp(-x / {tau}) AS d FROM grown, line\n), turn AS (\n"
        "  SELECT regr_slope(d, g) AS s, regr_intercept(d, g) AS r FROM rest\n), step AS (\n"
        "  SELECT sum(e * (d - r - s * g)) / sum((d - r - s * g) ** 2) AS by_s FROM rest, turn\n), fit AS (\n"
        f"  SELECT {tau} + by_s AS tau, b - s * by_s AS rise, a - r * by_s AS start FROM line, step, turn\n)"
    )


def _redo_fit(place: Place) -> str | None:
    line = _line(place, place.result.to_s)
    what = {"heat_fit_rise_k": "rise", "heat_time_constant_s": "tau", "temperature_projected_c": "start + rise"}
    return line and f"{line}\nSELECT {what[place.result.name]} AS {place.result.name} FROM fit"


def _redo_reach(place: Place) -> str | None:
    """First median of three at the limit; where the log ends below it, when the fit gets there."""
    limit, channel, start = number(place.given("limit_c")), place.account.probe, place.result.from_s
    if start is None or not channel:
        return None
    if "fitted_to_s" in place.account.numbers:
        line = _line(place, place.given("fitted_to_s"))
        return line and (f"{line}\nSELECT -tau * ln(1 - ({limit} - start) / rise) AS {place.result.name} FROM fit")
    return (
        f"{smooth(place, channel, f't_s >= {number(start)}')}\n"
        f"SELECT min(t_s) - {number(start)} AS {place.result.name} FROM quiet WHERE t3 >= {limit}"
    )


_RESTS = ("pause_min_s", "steady_k", "fit_error_share", "fit_residual_share", "fit_covers")

SPECS = (
    ResultSpec("heat_fit_rise_k", "fitted rise", "K", rests_on=_RESTS, redo=_redo_fit),
    ResultSpec("heat_time_constant_s", "time constant", "s", shown=Shown.DURATION, rests_on=_RESTS, redo=_redo_fit),
    ResultSpec(
        "temperature_projected_c",
        "projected final temperature",
        "°C",
        short="projected final",
        kinds=("heat", "discharge", "recharge"),
        on_page={"heat": 30},
        rests_on=_RESTS,
        redo=_redo_fit,
    ),
    ResultSpec(
        "time_to_limit_s",
        "time to limit",
        "s",
        shown=Shown.DURATION,
        rests_on=(*_RESTS, "touch_limit_c"),
        redo=_redo_reach,
    ),
)
