"""Levels of a stepped load, each with its settled part. Knows arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from store.model.results import Array
from store.signal.detectors import steady_levels
from store.signal.signals import Electrical
from store.signal.statistics import median_of_three, moments, noise, time_weights
from store.signal.thresholds import Limits

__all__ = ["Level", "find_levels"]


@dataclass(frozen=True, slots=True)
class Level:
    """One level of a sweep: kept samples a to b, and means over the settled ones."""

    a: int
    b: int
    from_s: float
    to_s: float
    current_a: float
    voltage_v: float
    voltage_se: float
    """Standard error of the mean voltage from the samples' scatter [V]."""
    samples: int
    middle_a: float = 0.0
    """Median current: samples within `band_a` of it are used [A]."""
    band_a: float = 0.0

    @property
    def span(self) -> tuple[float, ...]:
        """As an account of results lists it: from, to, middle, band."""
        return (self.from_s, self.to_s, self.middle_a, self.band_a)


def find_levels(power: Electrical, limits: Limits) -> list[Level]:
    """Levels of current by change detection, the first second after each step left out of the means.

    Args:
        power: an electrical track with V and I.
        limits: constants in force.
    """
    if power.v is None or power.i is None or len(power.t) < 4:
        return []
    clean = median_of_three(power.i)
    top = float(np.max(np.abs(clean)))
    threshold = max(limits["level_share"] * top, 0.002)
    out = []
    for a, b in steady_levels(power.t, power.i, threshold, limits["level_min_s"]):
        band = max(threshold, 4.0 * noise(power.i))
        level = _settled(power, power.v, power.i, (a, b), band=band, settle_s=limits["settle_s"])
        if level is not None:
            out.append(level)
    return out


def _settled(
    power: Electrical, v: Array, i: Array, span: tuple[int, int], *, band: float, settle_s: float
) -> Level | None:
    t = power.t
    a, b = span
    middle = float(np.median(i[a : b + 1]))
    part = slice(a, b + 1)
    use = (t[part] >= t[a] + settle_s) & (np.abs(i[part] - middle) <= band)
    if int(use.sum()) < 2:
        use = np.abs(i[part] - middle) <= band
    if int(use.sum()) < 2:
        return None
    at = np.flatnonzero(use) + a
    weights = time_weights(np.diff(t[at]))
    volts, amps = moments(v[at], weights), moments(i[at], weights)
    se = volts.sd / np.sqrt(len(at)) if np.isfinite(volts.sd) else 0.0
    return Level(a, b, float(t[at[0]]), float(t[at[-1]]), amps.mean, volts.mean, float(se), len(at), middle, band)
