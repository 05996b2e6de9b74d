"""What a moment of a load owes to the meter where power slopes instead of jumping. Knows arrays only."""

from __future__ import annotations

import math

import numpy as np

from store.model.results import Contribution, FoundMoment, How
from store.signal.edges import Edge
from store.signal.holding import Moment
from store.signal.prepared import Prepared
from store.signal.signals import Electrical
from store.signal.statistics import noise

__all__ = ["offset_w", "power_error_u", "slope_parts", "told_edge", "told_moment"]

WING = 5
"""Samples to either side over which a slope is told."""
STEEP = 0.3
"""A step that leaves less than this of the power is an edge."""


def offset_w(run: Prepared, volts: float, amps: float) -> float:
    """Standard uncertainty of a power near zero from the meter's offsets [W]; 0 where it is unknown."""
    meter = run.meter
    if run.signals.power is not None and run.signals.power.v is None:
        return meter.power.offset_u if meter.power is not None else 0.0
    if meter.voltage is None or meter.current is None:
        return 0.0
    return math.hypot(volts * meter.current.offset_u, amps * meter.voltage.offset_u)


def power_error_u(run: Prepared, power: Electrical, at: int) -> float:
    """Standard uncertainty of the power of a kept sample from the meter's offsets [W]."""
    volts = float(power.v[at]) if power.v is not None else 0.0
    amps = float(power.i[at]) if power.i is not None else 0.0
    return offset_w(run, volts, amps)


def told_moment(moment: Moment, of: str = "p", *, is_sample: bool = False) -> FoundMoment:
    """What an account keeps of a moment, so that a statement can measure it again.

    Args:
        moment: at an edge between two samples, or where a line or a curve crosses a level.
        of: what crosses it, in SQL: `p`, `i`, `ln(p)`.
        is_sample: whether it is a sample's own moment, for the log does not hold the edge.
    """
    if is_sample:
        return FoundMoment(moment.at_s, How.SAMPLE)
    if moment.line is not None:
        return FoundMoment(moment.at_s, How.LINE, of, *moment.line)
    if moment.crossing is None:
        return FoundMoment(moment.at_s, How.EDGE)
    curve = moment.crossing.curve
    return FoundMoment(moment.at_s, How.CURVE, of, curve.from_s, curve.to_s, moment.crossing.level)


def told_edge(edge: Edge) -> FoundMoment:
    """The same of a load's edge."""
    return FoundMoment(edge.at_s, How.EDGE if edge.is_seen else How.SAMPLE)


def slope_parts(run: Prepared, power: Electrical, at: int, side: int) -> tuple[Contribution, ...]:
    """Where the load fades over its threshold instead of jumping: offset and noise over the slope; else nothing.

    Args:
        run: the prepared run.
        power: its electrical track.
        at: the first or last loaded sample.
        side: -1 for the one before, 1 for the one after.
    """
    beside = at + side
    if not 0 <= beside < len(power.t):
        return ()
    here, there = float(power.p[at]), float(power.p[beside])
    if there < STEEP * here or here <= 0.0:
        return ()
    a, b = max(at - WING, 0), min(at + WING, len(power.t) - 1)
    p, t = power.p[a : b + 1], power.t[a : b + 1]
    keep = p > 0.0
    if int(keep.sum()) < 3 or float(np.ptp(t[keep])) <= 0.0:
        return ()
    slope = abs(float(np.polyfit(t[keep] - t[0], p[keep], 1)[0]))
    if slope <= 0.0:
        return ()
    detail = f"where power fades by {slope:.3g} W/s"
    return (
        Contribution("offset at a slope", power_error_u(run, power, at) / slope, "B", "rectangular", detail),
        Contribution("noise at a slope", noise(p) / slope, "A", "normal", detail),
    )
