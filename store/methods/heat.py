"""How hot it became, how fast it still rose, and what that means to a hand. Knows arrays only."""

from __future__ import annotations

import math

import numpy as np

from store.methods.heat_projection import FIT, REACH, fit_of, fit_results, time_to
from store.methods.heat_steady import STEADY, steady_results
from store.methods.method import EVERY, Found, Method, Reducer
from store.methods.sql_parts import Place, number, smooth
from store.model.results import Account, Ambient, Contribution, Result
from store.model.spec import ResultSpec, Shown
from store.signal.heated import Heated, heated_of, line_fit, probe_of, resolution_part
from store.signal.prepared import Prepared
from store.signal.statistics import median_of_three, noise
from store.uncertainty.budget import difference_part, scaled
from store.uncertainty.sampling import one_sided, scatter_part
from store.usb.touch import EDITION, MATERIALS, OVER, touch_class

__all__ = ["METHODS", "REDUCERS", "SPECS", "reduce"]

RISE = Method(
    "rise", 2, "largest temperature minus ambient: the logged one at that moment, else the stated one, else the start"
)
SLOPE = Method(
    "end slope",
    4,
    "least squares line over the last 10 minutes under load; its ends are known to the thermometer's steps",
    "GUM F.2.2.1 for the steps",
)
TOUCH = Method("touch class", 1, "largest temperature against the touch limits, for plastic and for metal", EDITION)
METHODS = (RISE, SLOPE, STEADY, FIT, REACH, TOUCH)

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


def reduce(run: Prepared) -> Found:
    """Section 6 of the results, for any run that logged a temperature."""
    channel = probe_of(run)
    if channel is None:
        if run.context.kind != "heat":
            return Found()
        reason = "no temperature of the device was logged"
        return Found(tuple(RISE.absent(name, unit, reason) for name, unit in NAMES))
    heated = heated_of(run, channel)
    fit = fit_of(run, heated)
    results = [
        _rise(run, heated),
        _slope(run, heated),
        *steady_results(run, heated),
        *fit_results(run, heated, fit),
        time_to(run, run.limits["touch_limit_c"], heated=heated, fit=fit),
        _touch(run, heated),
    ]
    return Found(tuple(results))


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
            resolution_part(heated.whole.y),
            one_sided("largest of many", noise(steady) * math.sqrt(2.0 * math.log(len(steady))), "noise goes so far"),
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
        account=Account(
            ambient=over,
            probe=heated.channel,
            numbers={"ambient_c": ambient, "hottest_c": hottest, "at_s": at},
        ),
    )


def _ambient(run: Prepared, heated: Heated, at: float) -> tuple[float, Ambient, list[Contribution]]:
    """Ambient, where it is from, and what it adds to the budget of a rise."""
    accuracy = run.meter.temperature
    offset = accuracy.offset_u if accuracy is not None else 0.0
    probe = Contribution("offset of T", offset, "B", "rectangular", "the probe on the device")
    logged = run.signals.series.get("temperature_ambient_c")
    if logged is not None:
        near = logged.between(at - 60.0, at + 60.0)
        value = float(np.mean(near.y)) if len(near) else float(np.interp(at, logged.t, logged.y))
        other = Contribution("offset of ambient T", offset, "B", "rectangular", "the ambient probe")
        return value, Ambient.LOGGED, [probe, other]
    if run.context.ambient_c is not None:
        limit = run.limits["ambient_stated_k"]
        stated = difference_part("stated ambient", limit, f"noted by hand, taken as good to {limit:g} K")
        return run.context.ambient_c, Ambient.STATED, [probe, stated]
    return float(heated.whole.y[0]), Ambient.FIRST_SAMPLE, []


def _gain(run: Prepared, value: float) -> tuple[Contribution, ...]:
    """What the thermometer's gain does to a difference of temperatures, or to its rate."""
    accuracy = run.meter.temperature
    if accuracy is None or not accuracy.gain_u:
        return ()
    share = abs(value) * accuracy.gain_u
    return (Contribution("gain of T", share, "B", "rectangular", accuracy.text, is_common=True),)


def _slope(run: Prepared, heated: Heated) -> Result:
    span_s = run.limits["end_slope_s"]
    end = float(heated.loaded.t[-1])
    part = heated.loaded.between(end - span_s, end)
    if end - float(heated.loaded.t[0]) < 0.99 * span_s or len(part) < 5:
        reason = f"the load lasted {end - float(heated.loaded.t[0]):.0f} s, the line needs {span_s:.0f} s"
        return SLOPE.absent("end_slope_k_per_h", "K/h", reason)
    slope, se, _, left = line_fit(part.t, part.y)
    length = end - float(part.t[0])
    steps = scaled([resolution_part(heated.whole.y)], 3600.0 / length)
    # a line through readings that never changed has no scatter, and steps that were never seen have no size
    is_known = se > 0.0 or steps[0].standard_uncertainty > 0.0
    scatter = scatter_part(se * 3600.0, f"{len(part)} samples about the line, as they go together", max(left, 1.0))
    return SLOPE.found(
        "end_slope_k_per_h",
        slope * 3600.0,
        "K/h",
        budget=(scatter, *steps, *_gain(run, slope * 3600.0)) if is_known else (),
        reason="the reading never changed, so the thermometer's steps are not known",
        span=(float(part.t[0]), end),
        account=heated.account.plus(samples_used=len(part)),
    )


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
    account = Account(probe=heated.channel, numbers={"hottest_c": hottest}, told={"limits": EDITION})
    span = (float(heated.whole.t[0]), float(heated.whole.t[-1]))
    return TOUCH.words("touch_class", "; ".join(words), span=span, warnings=warnings, account=account)


def _redo_slope(place: Place) -> str | None:
    channel = place.account.probe
    if not channel:
        return None
    return (
        f"SELECT regr_slope({place.channel(channel)}, t_s) * 3600 AS {place.result.name}\nFROM {place.source} "
        f"AND {channel} IS NOT NULL AND {place.within()}"
    )


def _redo_rise(place: Place) -> str | None:
    """The hottest median of three less the ambient that the account names."""
    channel, ambient = place.account.probe, place.account.numbers.get("ambient_c")
    if not channel or ambient is None:
        return None
    return (
        f"{smooth(place, channel)}\nSELECT max(t3) - {number(ambient)} AS {place.result.name} FROM quiet"
        f"  -- ambient: {place.account.ambient or ''}"
    )


SPECS = (
    ResultSpec(
        "rise_k",
        "temperature rise",
        "K",
        kinds=("heat", "discharge", "recharge"),
        on_page={"heat": 20},
        glance=170,
        runs_column=True,
        filter_words={"rise": 1.0},
        rests_on=("ambient_stated_k",),
        redo=_redo_rise,
    ),
    ResultSpec(
        "end_slope_k_per_h",
        "slope at the end",
        "K/h",
        rests_on=("pause_min_s", "steady_k", "end_slope_s"),
        redo=_redo_slope,
    ),
    ResultSpec("touch_class", "touch class", "", shown=Shown.TEXT, source=EDITION),
)
REDUCERS = (Reducer("heat", EVERY, reduce, METHODS, place=30),)
