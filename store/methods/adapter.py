"""Adapters: efficiency against load from the AC and the DC side, and power without load. Knows arrays only.

Rule of the average: arithmetic mean of the four efficiencies at 25, 50, 75 and 100 % of rated current, not the sum of
outputs over the sum of inputs [10 CFR 430 subpart B appendix Z; (EU) 2019/1782 annex II].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from store.methods.method import Found, Method, Reducer
from store.methods.sql_parts import Place
from store.methods.summary import idle_parts
from store.model.results import Account, Array, Contribution, Mask, MeterAccuracy, Result
from store.model.spec import Better, ResultSpec, Shown
from store.signal.batches import mean_scatter
from store.signal.prepared import Prepared
from store.signal.statistics import moments, time_weights
from store.uncertainty.accuracy import MeterModel, meter_model
from store.uncertainty.budget import gain_part, logged_power_budget, offset_part
from store.uncertainty.sampling import batch_part

__all__ = [
    "AVERAGED",
    "LOW_END",
    "METHODS",
    "REDUCERS",
    "SHARES",
    "SPECS",
    "Point",
    "Side",
    "average_of_four",
    "efficiency_points",
    "efficiency_results",
    "is_mains",
    "reduce",
    "side_of",
]

EFFICIENCY = Method(
    "adapter efficiency", 2, "DC power over AC power, each averaged over the same settled part of a load level"
)
AVERAGE = Method("average efficiency", 2, "mean of the efficiencies at 25, 50, 75 and 100 % of rated current")
NO_LOAD = Method("no-load power", 2, "time-weighted mean of the logged AC power with nothing plugged in")
METHODS = (EFFICIENCY, AVERAGE, NO_LOAD)

LOW_END = "efficiency_average_low_end"
"""The average of an adapter with several voltages at its lowest, by the full load that a rule counts there."""
SHARES: tuple[float, ...] = (0.10, 0.25, 0.50, 0.75, 1.00)
AVERAGED: tuple[float, ...] = (0.25, 0.50, 0.75, 1.00)
LEVEL_BAND = 0.02
"""A level counts as 25 % within 2 % of the rated current, as the test procedures allow (from memory)."""
SETTLE_SHARE = 0.4
"""The first two fifths of a level are left out: it settles and warms. Chosen by us."""
EDGE_S = 3.0
"""And the last seconds, for the two clocks may differ by that much."""


@dataclass(frozen=True, slots=True)
class Side:
    """One side of an adapter under test: n times on the group's clock [s] and n powers [W]."""

    t_s: Array
    power_w: Array
    current_a: Array
    """DC side: what the levels are found by."""
    voltage_v: Array
    meter: MeterModel


@dataclass(frozen=True, slots=True)
class Point:
    """Efficiency at one share of rated current."""

    share: float
    output_w: float
    input_w: float
    from_s: float
    to_s: float
    """On the group's clock."""

    @property
    def efficiency(self) -> float:
        """Output over input."""
        return self.output_w / self.input_w


def is_mains(port: str | None, channels: Sequence[str]) -> bool:
    """Whether a run is the AC side: by its port's name, or by channels that only AC has."""
    return (port or "").casefold() in ("mains", "ac") or "frequency_hz" in channels or "power_factor" in channels


def average_of_four(points: Sequence[Point]) -> float | None:
    """Mean of the four efficiencies from 25 % up; None where one of them is missing."""
    found = {point.share: point.efficiency for point in points}
    if any(share not in found for share in AVERAGED):
        return None
    return math.fsum(found[share] for share in AVERAGED) / len(AVERAGED)


def efficiency_points(ac: Side, dc: Side, rated_a: float) -> tuple[Point, ...]:
    """Efficiency at 10, 25, 50, 75 and 100 % of rated current, for the levels that were held.

    Args:
        ac: Mains side.
        dc: Port side, on the same clock.
        rated_a: Rated current in this mode [A].

    Returns:
        A point for each level that lasted at least 30 s on both sides; the longest stretch of each counts.
    """
    points = []
    for share in SHARES:
        near = np.abs(dc.current_a - share * rated_a) <= LEVEL_BAND * rated_a
        stretch = _longest(near)
        if stretch is None:
            continue
        begin, end = float(dc.t_s[stretch[0]]), float(dc.t_s[stretch[1]])
        if end - begin < 30.0:
            continue
        from_s, to_s = begin + SETTLE_SHARE * (end - begin), end - EDGE_S
        output, source = _mean(dc.t_s, dc.power_w, from_s, to_s), _mean(ac.t_s, ac.power_w, from_s, to_s)
        if output is not None and source is not None and source > 0.0:
            points.append(Point(share, output, source, from_s, to_s))
    return tuple(points)


def _longest(mask: Mask) -> tuple[int, int] | None:
    """First and last index of the longest stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    if not len(edges):
        return None
    begins, ends = edges[::2], edges[1::2] - 1
    at = int(np.argmax(ends - begins))
    return int(begins[at]), int(ends[at])


def _mean(t_s: Array, y: Array, from_s: float, to_s: float) -> float | None:
    keep = (t_s >= from_s) & (t_s <= to_s) & np.isfinite(y)
    if int(keep.sum()) < 3:
        return None
    return moments(y[keep], time_weights(np.diff(t_s[keep]))).mean


def efficiency_results(ac: Side, dc: Side, rated_a: float) -> list[Result]:
    """Results of an adapter's mode: efficiency_10_percent ... efficiency_100_percent and efficiency_average."""
    points = efficiency_points(ac, dc, rated_a)
    by_share = {point.share: point for point in points}
    found = []
    for share in SHARES:
        name = efficiency_name(share)
        point = by_share.get(share)
        if point is None:
            reason = f"no level at {100 * share:.0f} % of {rated_a:g} A was held for 30 s on both sides"
            found.append(EFFICIENCY.absent(name, "1", reason))
            continue
        budget = _budget(ac, dc, point)
        found.append(
            EFFICIENCY.found(
                name,
                point.efficiency,
                "1",
                budget=budget,
                reason=_unknown(ac, dc),
                span=(point.from_s, point.to_s),
                account=Account(numbers={"output_w": point.output_w, "input_w": point.input_w, "rated_a": rated_a}),
                warnings=_stand_in(ac),
            )
        )
    return [*found, _average(ac, dc, rated_a, points)]


def _average(ac: Side, dc: Side, rated_a: float, points: Sequence[Point]) -> Result:
    average = average_of_four(points)
    if average is None:
        missing = [f"{100 * share:.0f} %" for share in AVERAGED if share not in {point.share for point in points}]
        return AVERAGE.absent("efficiency_average", "1", f"no efficiency at {', '.join(missing)} of {rated_a:g} A")
    # Gains and offsets are the same at all four points, so their contributions add up with their signs.
    parts: dict[str, Contribution] = {}
    for point in points:
        if point.share in AVERAGED:
            for part in _budget(ac, dc, point):
                sum_u = part.standard_uncertainty / len(AVERAGED)
                before = parts[part.name].standard_uncertainty if part.name in parts else 0.0
                parts[part.name] = replace(part, standard_uncertainty=before + sum_u)
    return AVERAGE.found(
        "efficiency_average",
        average,
        "1",
        budget=tuple(parts.values()),
        reason=_unknown(ac, dc),
        account=Account(numbers={f"at_{round(100 * point.share)}_percent_load": point.efficiency for point in points}),
        warnings=_stand_in(ac),
    )


def _budget(ac: Side, dc: Side, point: Point) -> tuple[Contribution, ...]:
    """Contributions of both meters to one efficiency."""
    value = point.efficiency
    if _unknown(ac, dc) or dc.meter.voltage is None or dc.meter.current is None:
        return ()
    keep = (dc.t_s >= point.from_s) & (dc.t_s <= point.to_s)
    volts, amps = float(np.nanmean(dc.voltage_v[keep])), float(np.nanmean(dc.current_a[keep]))
    scale = value / point.output_w
    parts = [
        gain_part("V", dc.meter.voltage, value, dc.meter.label),
        gain_part("I", dc.meter.current, value, dc.meter.label),
        offset_part("V", dc.meter.voltage, scale * amps, "V", dc.meter.label),
        offset_part("I", dc.meter.current, scale * volts, "A", dc.meter.label),
    ]
    if ac.meter.power is not None:
        parts.append(gain_part("AC P", ac.meter.power, value, ac.meter.label))
        parts.append(offset_part("AC P", ac.meter.power, value / point.input_w, "W", ac.meter.label))
    elif ac.meter.voltage is not None and ac.meter.current is not None:
        for symbol, accuracy in (("AC V", ac.meter.voltage), ("AC I", ac.meter.current)):
            parts.append(gain_part(symbol, accuracy, value, ac.meter.label))
    return (*parts, *_scatter(ac, dc, point))


def _scatter(ac: Side, dc: Side, point: Point) -> tuple[Contribution, ...]:
    """What the two means owe to their samples' scatter, as they go together in time."""
    out = []
    for word, side, mean in (("DC", dc, point.output_w), ("AC", ac, point.input_w)):
        keep = (side.t_s >= point.from_s) & (side.t_s <= point.to_s) & np.isfinite(side.power_w)
        found = mean_scatter(side.t_s[keep], side.power_w[keep])
        if found is not None:
            weight = point.efficiency / mean
            name = f"scatter of {word} at {100.0 * point.share:.0f} %"
            out.append(replace(batch_part(found, weight), name=name))
    return tuple(out)


def _unknown(ac: Side, dc: Side) -> str:
    ours = "" if ac.meter.power is not None else ac.meter.unknown("voltage", "current")
    return ours or dc.meter.unknown("voltage", "current")


def _stand_in(ac: Side) -> tuple[str, ...]:
    if ac.meter.power is not None or ac.meter.voltage is None or ac.meter.current is None:
        return ()
    return (f"the accuracy of {ac.meter.label} for AC power is taken from its shares of reading for V and I",)


def side_of(columns: dict[str, Array], shift_s: float, accuracy: MeterAccuracy, *, is_ac: bool) -> Side | None:
    """A run's arrays as one side, moved to the group's clock by `shift_s`; None where it has no power.

    On the AC side the logged power counts: voltage times current is apparent power there.
    """
    t_s, empty = columns["t_s"] + shift_s, np.full(len(columns["t_s"]), np.nan)
    volts, amps = columns.get("voltage_v", empty), columns.get("current_a", empty)
    power = columns.get("power_w") if is_ac or np.isnan(volts * amps).all() else volts * amps
    if power is None or np.isnan(power).all():
        return None
    return Side(t_s, power, amps, volts, meter_model(accuracy))


def reduce(run: Prepared) -> Found:
    """Power without load, for a standby run of the mains side."""
    if not is_mains(run.context.port, run.trace.channels):
        return Found()
    series = run.signals.series.get("power_w")
    if series is None or len(series) < 2:
        reason = "the log has no power: voltage times current is apparent power on the mains"
        return Found((NO_LOAD.absent("no_load_w", "W", reason),))
    mean = moments(series.y, time_weights(np.diff(series.t))).mean
    voltage, current = run.meter.voltage, run.meter.current
    budget = logged_power_budget(run.meter, mean)
    is_stand_in = not budget and voltage is not None and current is not None
    if voltage is not None and current is not None and is_stand_in:
        budget = (
            gain_part("AC V", voltage, mean, run.meter.label),
            gain_part("AC I", current, mean, run.meter.label),
            Contribution("reading", 0.01 / math.sqrt(12.0), "B", "rectangular", "hundredths of a watt are shown"),
        )
    note = f"the accuracy of {run.meter.label} for AC power is taken from its shares of reading for V and I"
    scatter, too_short = idle_parts(series.t, series.y)
    budget = (*budget, *scatter) if budget else ()
    return Found(
        (
            NO_LOAD.found(
                "no_load_w",
                mean,
                "W",
                budget=budget,
                reason=run.meter.unknown("power"),
                span=(float(series.t[0]), float(series.t[-1])),
                account=Account(numbers={"samples_used": len(series)}),
                warnings=(*((note,) if is_stand_in else ()), *too_short.notes),
                flags=too_short.flags,
            ),
        )
    )


def _redo_no_load(place: Place) -> str:
    return (
        f"WITH samples AS (\n  SELECT {place.channel('power_w')} AS p, t_s - lag(t_s) OVER w AS back,\n"
        f"         lead(t_s) OVER w - t_s AS ahead FROM {place.source} AND power_w IS NOT NULL\n"
        "  WINDOW w AS (ORDER BY file_row_number)\n)\n"
        "SELECT sum(p * (coalesce(back, 0) + coalesce(ahead, 0))) / sum(coalesce(back, 0) + coalesce(ahead, 0))\n"
        f"  AS {place.result.name} FROM samples"
    )


_TO_GET_IT = "Log AC and DC side in one group."

NO_LOAD_W = ResultSpec(
    "no_load_w",
    "no-load power",
    "W",
    kinds=("standby",),
    better=Better.SMALLER,
    on_page={"standby": 10},
    compared_for={"adapter": 30},
    glance=160,
    redo=_redo_no_load,
    to_get_it="Log the AC side with nothing plugged in.",
    is_of_device=True,
)
EFFICIENCY_AVERAGE = ResultSpec(
    "efficiency_average",
    "average efficiency",
    "1",
    shown=Shown.SHARE,
    kinds=("efficiency",),
    better=Better.LARGER,
    on_page={"efficiency": 200},
    compared_for={"adapter": 10},
    to_get_it="Log AC and DC side in one group at each load.",
    source="10 CFR 430 subpart B appendix Z; (EU) 2019/1782 annex II",
    is_of_device=True,
)


def efficiency_name(share: float) -> str:
    """The name of the efficiency at a share of rated current."""
    return f"efficiency_{round(100 * share)}_percent"


def _at(share: float) -> ResultSpec:
    percent = round(100 * share)
    is_low = percent == 10
    return ResultSpec(
        efficiency_name(share),
        "efficiency at full load" if percent == 100 else f"efficiency at {percent} % load",
        "1",
        short="at full load" if percent == 100 else f"at {percent} % load",
        shown=Shown.SHARE,
        kinds=("efficiency",),
        better=Better.LARGER if is_low else None,
        on_page={"efficiency": percent},
        compared_for={"adapter": 20} if is_low else {},
        to_get_it=_TO_GET_IT,
        is_of_device=True,
    )


SPECS = (
    NO_LOAD_W,
    EFFICIENCY_AVERAGE,
    *(_at(share) for share in SHARES),
    ResultSpec(
        LOW_END,
        "average efficiency at the lowest voltage",
        "1",
        short="average, lowest V",
        shown=Shown.SHARE,
        to_get_it=_TO_GET_IT,
        is_of_device=True,
    ),
)
REDUCERS = (Reducer("no load", ("standby",), reduce, METHODS),)
