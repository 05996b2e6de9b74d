"""Plateau and load window: which part of a run is the test. Knows arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from store.model.results import Array, Mask
from store.signal.edges import Edge, edge_after, edge_before
from store.signal.signals import Electrical
from store.signal.statistics import median, quantile, weighted_quantile
from store.signal.thresholds import ThresholdRange

__all__ = ["LoadWindow", "load_window", "plateau_of"]


@dataclass(frozen=True, slots=True)
class LoadWindow:
    """The load window: kept samples a to b of the electrical track."""

    a: int
    b: int
    from_s: float
    to_s: float
    plateau_w: float
    starts_late: bool
    """The first sample was already under load."""
    ends_under_load: bool
    """The last sample was still under load."""
    idle_s: float
    """Time inside the window under a tenth of the plateau [s]."""
    warnings: tuple[str, ...] = ()

    @property
    def span(self) -> tuple[float, float]:
        """From and to [s]."""
        return self.from_s, self.to_s

    def edges(self, power: Electrical) -> tuple[Edge, Edge]:
        """When the load went on and off: half-way between samples, where the log holds it."""
        return edge_before(power.t, power.is_gap, self.a), edge_after(power.t, power.is_gap, self.b)


def plateau_of(p: Array, p3: Array, limits: ThresholdRange, weights: Array | None = None) -> tuple[float, str]:
    """The level that the load or charger held [W], and a warning or an empty text.

    Args:
        p: n powers [W], positive in the run's direction.
        p3: their medians of three.
        limits: constants in force.
        weights: how long each sample stands for, where a long run was made short; None where all count alike.

    Formula: median of the samples above half of the 95th percentile of power. Where the load shows
    in under a twentieth of the samples, half of the largest three-sample median takes its place.
    """
    high = limits["plateau_percentile"]
    level = weighted_quantile(p, weights, high / 100.0) if weights is not None else quantile(p, high / 100.0)
    top = float(np.max(p3))
    warning = ""
    if top > 0.0 and level < 0.25 * top:
        level = top
        warning = "the load shows in under 5 % of the samples: its level is taken from those above half of the largest"
    if level <= 0.0:
        return 0.0, "power never rose above zero in the run's direction"
    is_load = p > limits["plateau_share"] * level
    if weights is not None:
        return weighted_quantile(p[is_load], weights[is_load], 0.5), warning
    return median(p[is_load]), warning


def _pair(mask: Mask) -> tuple[int, int] | None:
    """First and last index that hold together with their neighbour, else alone; None where none holds."""
    if not mask.any():
        return None
    pair = mask[:-1] & mask[1:]
    if pair.any():
        return int(np.argmax(pair)), len(mask) - 1 - int(np.argmax(pair[::-1]))
    return int(np.argmax(mask)), len(mask) - 1 - int(np.argmax(mask[::-1]))


def load_window(power: Electrical, limits: ThresholdRange) -> LoadWindow | None:
    """From the first to the last sample at a tenth of the plateau or more; None where there was no load.

    Single spikes open no window: three-sample medians decide, two neighbours at once.
    """
    weights = np.diff(power.total["hours"], append=power.total["hours"][-1]) if power.grain_s else None
    plateau, warning = plateau_of(power.p, power.p3, limits, weights)
    if plateau <= 0.0:
        return None
    threshold = limits["window_share"] * plateau
    on = power.p3 >= threshold
    ends = _pair(on)
    if ends is None:
        return None
    a, b = ends
    dt = np.where(power.is_gap[a:b], 0.0, np.diff(power.t[a : b + 1]))
    idle = float(dt[~on[a:b]].sum())
    warnings = [warning] if warning else []
    length = float(power.t[b] - power.t[a])
    if idle > max(0.01 * length, 10.0):
        warnings.append(f"for {idle:.0f} s inside the load window power was under a tenth of the plateau")
    return LoadWindow(
        a=a,
        b=b,
        from_s=float(power.t[a]),
        to_s=float(power.t[b]),
        plateau_w=plateau,
        starts_late=a == 0,
        ends_under_load=b == len(power.t) - 1,
        idle_s=idle,
        warnings=tuple(warnings),
    )
