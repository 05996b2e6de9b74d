"""Levels of a stepped load, each with its settled part. Knows arrays only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from store.model.results import Array
from store.signal.batches import correlation_time
from store.signal.detectors import steady_levels
from store.signal.signals import Electrical
from store.signal.statistics import median, median_of_three, moments, noise, time_weights
from store.signal.thresholds import ThresholdRange

IntArray = npt.NDArray[np.intp]

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
    current_se: float = 0.0
    """Of the mean current [A]."""
    dof: float = np.inf
    """Degrees of freedom of the standard errors."""
    drift: tuple[float, float] = (0.0, 0.0)
    """Sums of (t - mean t) x V [V s] and of its square [s^2]: how the voltage drifts while the current stands still."""

    @property
    def at_s(self) -> float:
        """Middle of the samples used."""
        return 0.5 * (self.from_s + self.to_s)

    @property
    def span(self) -> tuple[float, ...]:
        """As an account of results lists it: from, to, middle, band."""
        return (self.from_s, self.to_s, self.middle_a, self.band_a)


def find_levels(power: Electrical, limits: ThresholdRange) -> list[Level]:
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
    band = max(threshold, 4.0 * noise(power.i))
    found = [
        (span, at)
        for span in steady_levels(power.t, power.i, threshold, limits["level_min_s"])
        if (at := _settled(power.t, power.i, span, band=band, settle_s=limits["settle_s"])) is not None
    ]
    if not found:
        return []
    # how far neighbours go together is one property of the meter: all levels tell it
    together = {
        name: correlation_time(np.concatenate([y[at] - y[at].mean() for _, at in found]), 1.0)
        for name, y in (("v", power.v), ("i", power.i))
    }
    return [_level(power, power.v, power.i, span, at, band=band, together=together) for span, at in found]


def _settled(t: Array, i: Array, span: tuple[int, int], *, band: float, settle_s: float) -> IntArray | None:
    """Samples of a level that are used; None where fewer than two are."""
    a, b = span
    part = slice(a, b + 1)
    middle = median(i[part])
    near = np.abs(i[part] - middle) <= band
    use = near & (t[part] >= t[a] + settle_s)
    use = use if int(use.sum()) >= 2 else near
    return np.flatnonzero(use) + a if int(use.sum()) >= 2 else None


def _level(
    power: Electrical,
    v: Array,
    i: Array,
    span: tuple[int, int],
    at: IntArray,
    *,
    band: float,
    together: Mapping[str, float],
) -> Level:
    t = power.t
    a, b = span
    weights = time_weights(np.diff(t[at]))
    volts, amps = moments(v[at], weights), moments(i[at], weights)
    dt = t[at] - float(t[at].mean())
    return Level(
        a=a,
        b=b,
        from_s=float(t[at[0]]),
        to_s=float(t[at[-1]]),
        current_a=amps.mean,
        voltage_v=volts.mean,
        voltage_se=_standard_error(volts.sd, len(at), together["v"]),
        samples=len(at),
        middle_a=median(i[a : b + 1]),
        band_a=band,
        current_se=_standard_error(amps.sd, len(at), together["i"]),
        dof=max(len(at) / together["v"] - 1.0, 1.0),
        drift=(float(dt @ (v[at] - volts.mean)), float(dt @ dt)),
    )


def _standard_error(sd: float, count: int, together: float) -> float:
    """Of a mean of samples that go together: sd / sqrt(n / tau), sd corrected for the mean that was taken off."""
    if not np.isfinite(sd):
        return 0.0
    share = min(together / count, 0.7)
    return float(sd * np.sqrt(share / (1.0 - share)))
