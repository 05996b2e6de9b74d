"""A cable's resistance and voltage drop, from the voltages at both its ends. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from store.data.tables import load_table
from store.methods.method import Found, Method, Reducer
from store.methods.sql_parts import Place, number
from store.model.results import Account, Array, Contribution, Result, Rule
from store.model.spec import Better, ResultSpec
from store.signal.batches import correlation_time
from store.signal.prepared import Prepared
from store.signal.statistics import noise
from store.uncertainty.accuracy import MeterModel
from store.uncertainty.budget import difference_part, gain_part, offset_part, scaled
from store.uncertainty.sampling import one_sided, scatter_part

__all__ = ["METHODS", "REDUCERS", "SPECS", "Line", "fit_line", "permitted_drop_v", "reduce"]

RESISTANCE = Method(
    "cable resistance",
    2,
    "slope of near voltage - far voltage over current, least squares; at one current alone their quotient",
    "Ohm's law; standard error of a slope as in any text",
)
DROP = Method(
    "cable drop",
    2,
    "mean of near - far voltage where the current is within 3 % of 3 or 5 A, scaled to it; "
    "else resistance x current, never past 1.1 x the largest current",
)
LOSS = Method("cable loss", 3, "resistance x current squared at the largest current logged")
METHODS = (RESISTANCE, DROP, LOSS)

SPREAD = 1.3
"""Currents must span this factor for a slope; below it the quotient is taken. Chosen by us."""
LEAST_SHARE = 0.05
"""Samples under a twentieth of the largest current are left out: the load is off."""
NEAR_SHARE = 0.03
"""Samples within this of 3 or 5 A are taken as at that current."""
REACH = 1.1
"""A drop is not said past the largest current times this. Chosen by us: heating changes the resistance."""


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through points, with standard errors."""

    slope: float
    slope_u: float
    intercept: float


def permitted_drop_v() -> float:
    """What a cable may lose at its rated current [V], supply and return together: 0.75 V."""
    table = load_table("cable_drop.toml")
    return float(table["vbus_v"]) + float(table["ground_v"])


def fit_line(x: Array, y: Array) -> Line:
    """Least squares line through n points, n >= 3, not all at one x.

    Formula: slope = S_xy / S_xx, its standard error s / sqrt S_xx with s^2 = residual sum of squares / (n - 2).
    """
    middle_x, middle_y = float(x.mean()), float(y.mean())
    dx, dy = x - middle_x, y - middle_y
    sxx = float(dx @ dx)
    slope = float(dx @ dy) / sxx
    rest = dy - slope * dx
    s2 = float(rest @ rest) / (len(x) - 2)
    return Line(slope, math.sqrt(s2 / sxx), middle_y - slope * middle_x)


def reduce(run: Prepared) -> Found:
    """Section 11 of the results, cables: resistance_mohm, drop_3a_v, drop_5a_v, loss_w."""
    names = (("resistance_mohm", "mΩ"), ("drop_3a_v", "V"), ("drop_5a_v", "V"), ("loss_w", "W"))
    wanted = ("voltage_v", "voltage_far_v", "current_a")
    if any(name not in run.trace.channels for name in wanted):
        reason = "voltages at both ends of the cable and the current are needed"
        return Found(tuple(RESISTANCE.absent(name, unit, reason) for name, unit in names))
    pieces = list(run.trace.chunks(wanted))
    times, near, far, amps = (np.concatenate([piece[name] for piece in pieces]) for name in ("t_s", *wanted))
    valid = np.isfinite(near) & np.isfinite(far) & np.isfinite(amps)
    amps = np.where(valid, amps, 0.0)
    top = float(np.max(np.abs(amps))) if len(amps) else 0.0
    keep = valid & (amps > LEAST_SHARE * top)
    if top <= 0.0 or int(keep.sum()) < 3:
        return Found(tuple(RESISTANCE.absent(name, unit, "no current flowed") for name, unit in names))
    resistance = _resistance(run, near[keep], far[keep], amps[keep])
    drops = [_drop(run, resistance, (near[keep], far[keep]), amps[keep], rated) for rated in (3.0, 5.0)]
    span = (float(times[keep][0]), float(times[keep][-1]))
    found = (resistance, *drops, _loss(run, resistance, amps[keep], top))
    rule = resistance.account.rule
    return Found(
        tuple(
            replace(r, from_s=span[0], to_s=span[1], account=replace(r.account, base_rule=rule))
            if r.value is not None
            else r
            for r in found
        )
    )


def _resistance(run: Prepared, near: Array, far: Array, amps: Array) -> Result:
    drop = near - far
    lowest, highest = float(np.percentile(amps, 2)), float(np.percentile(amps, 98))
    account = Account(numbers={"samples_used": len(amps), "from_a": lowest, "to_a": highest})
    is_sloped = highest > SPREAD * lowest
    if is_sloped:
        line = fit_line(amps, drop)
        rest = drop - line.intercept - line.slope * amps
        error, dof = _together(rest, 1000.0 * line.slope_u, 2)
        ohm, told = line.slope, f"standard error of a slope, {len(amps)} samples that go together in time"
        account = replace(account.plus(intercept_v=line.intercept), rule=Rule.SLOPE)
    else:
        ohm = float(drop.mean() / amps.mean())
        spread = 1000.0 * float(drop.std(ddof=1)) / math.sqrt(len(drop)) / float(amps.mean())
        error, dof = _together(drop, spread, 1)
        told = f"standard error of a mean, {len(amps)} samples that go together in time"
        account = replace(account, rule=Rule.QUOTIENT)
    budget = (
        _slope_budget(run.meter, ohm, near, far, amps) if is_sloped else _quotient_budget(run.meter, ohm, near, amps)
    )
    return RESISTANCE.found(
        "resistance_mohm",
        1000.0 * ohm,
        "mΩ",
        budget=(*budget, scatter_part(error, told, dof)) if budget else (),
        reason=run.meter.unknown("voltage", "current"),
        account=account,
    )


def _together(rest: Array, error: float, fitted: int) -> tuple[float, float]:
    """A standard error widened for correlated residuals in time, and its degrees of freedom."""
    tau = correlation_time(rest, 1.0)
    dof = max(len(rest) / tau - fitted, 1.0)
    return error * math.sqrt(tau * (len(rest) - fitted) / (tau * dof)), dof


def _slope_budget(meter: MeterModel, ohm: float, near: Array, far: Array, amps: Array) -> tuple[Contribution, ...]:
    """Of a slope offsets drop out; each input's gain acts on how its own voltage changes with the current."""
    if meter.voltage is None or meter.current is None:
        return ()
    parts = []
    for word, volts in (("near", near), ("far", far)):
        slope = 1000.0 * fit_line(amps, volts).slope
        parts.append(replace(gain_part(f"V, {word} input", meter.voltage, slope, meter.label), is_common=False))
    return (*parts, gain_part("I", meter.current, 1000.0 * ohm, meter.label))


def _quotient_budget(meter: MeterModel, ohm: float, near: Array, amps: Array) -> tuple[Contribution, ...]:
    """Of a quotient both inputs' whole errors are in it: two inputs have gains and offsets of their own."""
    if meter.voltage is None or meter.current is None:
        return ()
    mohm, volts, current = 1000.0 * ohm, float(near.mean()), float(amps.mean())
    return (
        *_inputs_parts(meter, volts, 1000.0 / current),
        gain_part("I", meter.current, mohm, meter.label),
        difference_part("offset of I", mohm * meter.current.fixed / current, f"+-{meter.current.fixed:.4g} A"),
    )


def _inputs_parts(meter: MeterModel, volts: float, weight: float) -> tuple[Contribution, ...]:
    """What two voltage inputs may differ by at a voltage, times a weight: assumed to have errors of their own."""
    if meter.voltage is None:
        return ()
    limit = meter.voltage.limit(volts)
    return tuple(
        difference_part(
            f"{word} voltage input", weight * limit, f"+-{limit:.4g} V; the inputs' errors are assumed to be separate"
        )
        for word in ("near", "far")
    )


def _drop(run: Prepared, resistance: Result, sides: tuple[Array, Array], amps: Array, rated_a: float) -> Result:
    """What the cable loses at 3 or 5 A: measured there where the log has it, for a warm cable resists more."""
    name, top_a = f"drop_{rated_a:.0f}a_v", float(np.max(amps))
    drop = sides[0] - sides[1]
    account = Account(numbers={"current_a": rated_a, "permitted_v": permitted_drop_v()})
    near = np.abs(amps - rated_a) <= NEAR_SHARE * rated_a
    count = int(near.sum())
    if count >= 3:
        value = rated_a * float(drop[near].mean() / amps[near].mean())
        account = replace(account.plus(samples_used=count), rule=Rule.MEASURED)
        error, dof = _together(drop[near], float(drop[near].std(ddof=1)) / math.sqrt(count), 1)
        scatter = scatter_part(error, f"standard error of a mean, {count} samples that go together in time", dof)
        budget = _drop_budget(run.meter, value, float(sides[0][near].mean()), rated_a)
        budget = (*budget, scatter) if budget else ()
        return DROP.found(name, value, "V", budget=budget, reason=resistance.reason, account=account)
    if top_a * REACH < rated_a or resistance.value is None:
        return DROP.absent(name, "V", f"the log goes up to {top_a:.3g} A only")
    account = replace(account.plus(resistance_mohm=resistance.value), rule=Rule.SCALED)
    budget = scaled(resistance.budget, rated_a / 1000.0)
    value = resistance.value * rated_a / 1000.0
    return DROP.found(name, value, "V", budget=budget, reason=resistance.reason, account=account)


def _drop_budget(meter: MeterModel, drop: float, volts: float, amps: float) -> tuple[Contribution, ...]:
    if meter.voltage is None or meter.current is None:
        return ()
    return (
        *_inputs_parts(meter, volts, 1.0),
        gain_part("I", meter.current, drop, meter.label),
        difference_part("offset of I", drop * meter.current.fixed / amps, f"+-{meter.current.fixed:.4g} A"),
    )


def _loss(run: Prepared, resistance: Result, amps: Array, top_a: float) -> Result:
    """Resistance x current squared: the current's gain is once in the resistance, inverse, and twice in the square."""
    value = (resistance.value or 0.0) / 1000.0 * top_a**2
    budget = scaled([part for part in resistance.budget if part.name != "offset of I"], top_a**2 / 1000.0)
    current = run.meter.current
    if budget and current is not None:
        powers = 2.0 if resistance.account.rule is Rule.SLOPE else 1.0
        sensitivity = powers * value / top_a
        reach = 2.0 * value / top_a * noise(amps) * math.sqrt(2.0 * math.log(len(amps)))
        largest = one_sided("largest of many", reach, f"noise of {len(amps)} readings of I goes so far")
        budget = (*budget, offset_part("I", current, sensitivity, "A", run.meter.label), largest)
    account = Account(numbers={"current_a": top_a, "resistance_mohm": resistance.value or 0.0})
    return LOSS.found("loss_w", value, "W", budget=budget, reason=resistance.reason, account=account)


def _redo_cable(place: Place) -> str | None:
    """Least squares of the drop over the current; a drop near its current; what the cable turns into heat."""
    name = place.result.name
    begin = (
        f"WITH all_samples AS (\n  SELECT {place.channel('current_a')} AS i,\n"
        f"         ({place.channel('voltage_v')}) - ({place.channel('voltage_far_v')}) AS u FROM {place.source}\n"
        "    AND voltage_v IS NOT NULL AND voltage_far_v IS NOT NULL AND current_a IS NOT NULL\n), samples AS (\n"
        "  SELECT *, max(abs(i)) OVER () AS top FROM all_samples QUALIFY i > 0.05 * top\n), ohms AS (\n"
        f"  SELECT {'regr_slope(u, i)' if place.account.base_rule is Rule.SLOPE else 'avg(u) / avg(i)'} AS r\n"
        "  FROM samples\n)"
    )
    if name == "resistance_mohm":
        return f"{begin}\nSELECT 1000 * r AS {name} FROM ohms"
    if name == "loss_w":
        return f"{begin}\nSELECT any_value(r * top ** 2) AS {name} FROM ohms, samples"
    amps = number(place.given("current_a"))
    if place.account.rule is Rule.MEASURED:
        near = f"abs(i - {amps}) <= 0.03 * {amps}"
        return f"{begin}\nSELECT {amps} * avg(u) / avg(i) AS {name} FROM samples WHERE {near}"
    return f"{begin}\nSELECT {amps} * r AS {name} FROM ohms"


_KIND = ("cable",)

RESISTANCE_MOHM = ResultSpec(
    "resistance_mohm",
    "cable resistance",
    "mΩ",
    kinds=_KIND,
    better=Better.SMALLER,
    on_page={"cable": 10},
    compared_for={"cable": 10},
    glance=150,
    runs_column=True,
    redo=_redo_cable,
)
SPECS = (
    RESISTANCE_MOHM,
    *(
        ResultSpec(
            f"drop_{amps}a_v",
            f"voltage drop at {amps} A",
            "V",
            short=f"drop at {amps} A",
            kinds=_KIND,
            better=Better.SMALLER,
            on_page={"cable": place},
            compared_for={"cable": place},
            redo=_redo_cable,
            to_get_it="Log both ends of the cable.",
            is_of_device=True,
        )
        for amps, place in ((3, 20), (5, 30))
    ),
    ResultSpec(
        "loss_w",
        "power lost in the cable",
        "W",
        short="cable loss",
        kinds=_KIND,
        on_page={"cable": 40},
        redo=_redo_cable,
    ),
)
REDUCERS = (Reducer("cable", _KIND, reduce, METHODS),)
