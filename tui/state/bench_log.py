"""A log that grows at the bench: its samples so far, the figures under the curve, and what should stop the test.

Knows arrays and strips; no Textual, no library. The figures are for the eye: what is filed is reduced anew by the
library's methods. Work at each look goes by what was added, not by how long the log is, but for the curve.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import polars as pl

from importers.schema import CHANNELS
from store.model.records import Strip, StripSet

__all__ = ["BenchFigures", "GrowingTrace", "Limit"]

FloatArray = npt.NDArray[np.float64]

_UNITS = {channel.name: channel.unit for channel in CHANNELS}
SLOPE_S = 600.0
"""Span of the temperature's slope, as the end slope of a filed run."""
OFF_SHARE = 0.02
"""Under this share of the plateau the load is off, as for a cut-off."""
OFF_S = 10.0
"""For so long."""


@dataclass(frozen=True, slots=True)
class Limit:
    """Something that ends a test, or that a claim promises."""

    channel: str
    most: float
    words: str
    stops: bool = False
    """Whether the test should be stopped when it is passed."""


@dataclass(frozen=True, slots=True)
class BenchFigures:
    """So far."""

    samples: int
    elapsed_s: float
    last: dict[str, float]
    """Newest value by channel."""
    energy_wh: float | None
    charge_ah: float | None
    slope_k_per_h: float | None
    is_off: bool
    """The load has been on and is off now."""
    passed: tuple[Limit, ...]


@dataclass(slots=True)
class _Buffer:
    """An array that grows by doubling."""

    values: FloatArray = field(default_factory=lambda: np.empty(1024))
    size: int = 0

    def add(self, more: FloatArray) -> None:
        end = self.size + len(more)
        if end > len(self.values):
            grown = np.empty(max(end, 2 * len(self.values)))
            grown[: self.size] = self.values[: self.size]
            self.values = grown
        self.values[self.size : end] = more
        self.size = end

    def all(self) -> FloatArray:
        return self.values[: self.size]


class GrowingTrace:
    """The samples of one run so far."""

    def __init__(self, limits: Sequence[Limit] = ()) -> None:
        self.limits = tuple(limits)
        self._t = _Buffer()
        self._channels: dict[str, _Buffer] = {}
        self._energy_j = 0.0
        self._charge_c = 0.0
        self._plateau_w = 0.0
        self._on_at: float | None = None
        """The last moment with the load on."""
        self._edge: tuple[float, float, float] | None = None
        """Time, power and current of the last sample that had them."""

    @property
    def samples(self) -> int:
        """How many."""
        return self._t.size

    def add(self, frame: pl.DataFrame) -> None:
        """Take the next samples: `t_s` [s] and channels in SI units."""
        n = frame.height
        if not n:
            return
        t = frame["t_s"].to_numpy()
        before = self._t.size
        self._t.add(t)
        for name in frame.columns:
            if name not in _UNITS:
                continue
            if name not in self._channels:
                self._channels[name] = _Buffer()
                self._channels[name].add(np.full(before, np.nan))
            self._channels[name].add(frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy())
        for buffer in self._channels.values():
            if buffer.size < self._t.size:
                buffer.add(np.full(self._t.size - buffer.size, np.nan))
        self._integrate(before)

    def _integrate(self, first: int) -> None:
        """Trapezoids over what was added, from the last sample before it."""
        t, power, current = self._t.all()[first:], self._power()[first:], self._of("current_a")[first:]
        good = np.isfinite(power)
        if not good.any():
            return
        t, power, current = t[good], power[good], np.where(np.isfinite(current[good]), current[good], 0.0)
        if self._edge is not None:
            edge = self._edge
            t, power, current = np.r_[edge[0], t], np.r_[edge[1], power], np.r_[edge[2], current]
        steps = np.diff(t)
        self._energy_j += float(np.sum(steps * (power[1:] + power[:-1]) / 2))
        self._charge_c += float(np.sum(steps * (current[1:] + current[:-1]) / 2))
        self._edge = (float(t[-1]), float(power[-1]), float(current[-1]))
        size = np.abs(power)
        self._plateau_w = max(self._plateau_w, float(np.percentile(size, 95)))
        on = np.flatnonzero(size > OFF_SHARE * self._plateau_w)
        if len(on) and self._plateau_w > 0:
            self._on_at = float(t[on[-1]])

    def _of(self, channel: str) -> FloatArray:
        found = self._channels.get(channel)
        return found.all() if found is not None else np.full(self._t.size, np.nan)

    def _power(self) -> FloatArray:
        given = self._of("power_w")
        if np.isfinite(given[-1:]).any() or "voltage_v" not in self._channels:
            return given
        return np.where(np.isfinite(given), given, self._of("voltage_v") * self._of("current_a"))

    def figures(self) -> BenchFigures:
        """What stands under the curve."""
        t = self._t.all()
        elapsed = float(t[-1]) if len(t) else 0.0
        last = {name: value for name, b in self._channels.items() if math.isfinite(value := _last(b.all()))}
        if "power_w" not in last and {"voltage_v", "current_a"} <= last.keys():
            last["power_w"] = last["voltage_v"] * last["current_a"]
        has_power = self._edge is not None
        off = self._on_at is not None and elapsed - self._on_at >= OFF_S
        return BenchFigures(
            len(t),
            elapsed,
            last,
            self._energy_j / 3600 if has_power else None,
            self._charge_c / 3600 if has_power and "current_a" in self._channels else None,
            self._slope(t),
            off,
            tuple(limit for limit in self.limits if last.get(limit.channel, -math.inf) > limit.most),
        )

    def _slope(self, t: FloatArray) -> float | None:
        """Least squares slope of the case temperature over the last ten minutes [K/h]."""
        values = self._of("temperature_c")
        if not len(t) or t[-1] - t[0] < SLOPE_S / 5:
            return None
        first = int(np.searchsorted(t, t[-1] - SLOPE_S))
        x, y = t[first:], values[first:]
        good = np.isfinite(y)
        if good.sum() < 5:
            return None
        return float(np.polyfit(x[good] - x[good][0], y[good], 1)[0]) * 3600

    def strips(self, buckets: int, to_s: float | None = None) -> StripSet:
        """Minimum and maximum of every channel per time bucket.

        Args:
            buckets: How many spans.
            to_s: Where the axis ends; the last sample where None, or where that is later.
        """
        t = self._t.all()
        if not len(t):
            return StripSet(0.0, 1.0, buckets, ())
        first = float(t[0])
        last = max(float(t[-1]), to_s or 0.0)
        edges = np.searchsorted(t, first + (last - first) * np.arange(buckets + 1) / buckets)
        edges[-1] = len(t)
        filled = np.flatnonzero(np.diff(edges) > 0)
        strips = []
        channels = {name: buffer.all() for name, buffer in self._channels.items()}
        if "power_w" not in channels and {"voltage_v", "current_a"} <= channels.keys():
            channels["power_w"] = self._power()
        for name, values in channels.items():
            if not np.isfinite(values).any():
                continue
            low, high = np.full(buckets, np.nan), np.full(buckets, np.nan)
            starts = edges[filled]
            low[filled] = np.fmin.reduceat(values, starts)
            high[filled] = np.fmax.reduceat(values, starts)
            strips.append(Strip(name, _UNITS[name], low, (low + high) / 2, high))
        return StripSet(first, last or 1.0, buckets, tuple(strips))


def _last(values: FloatArray) -> float:
    """The newest value that is one, of the last few."""
    tail = values[-20:]
    good = tail[np.isfinite(tail)]
    return float(good[-1]) if len(good) else math.nan
