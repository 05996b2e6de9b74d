"""Budget lines for what lies between samples: edges, scatter, moments, and the clock. Knows numbers only."""

from __future__ import annotations

import math

from store.model.results import Contribution
from store.signal.batches import MeanScatter
from store.signal.edges import Edge, edge_u
from store.uncertainty.accuracy import MeterModel
from store.uncertainty.clock import clock_part

__all__ = ["batch_part", "clock_of", "edge_time", "edge_weight", "moment_part", "one_sided", "scatter_part"]


def edge_time(name: str, edge: Edge) -> Contribution:
    """What an edge between two samples adds to a time [s]."""
    step = 2.0 * edge.half_s
    detail = f"anywhere in a step of {step:.4g} s" if edge.is_seen else "the log does not hold it"
    return Contribution(f"edge: {name}", edge.u_s, "B", "rectangular", detail)


def edge_weight(name: str, edge: Edge, rate: float) -> Contribution:
    """What an edge adds to an integral whose integrand it switches by `rate` [1/s]."""
    step = 2.0 * edge.half_s
    detail = f"anywhere in a step of {step:.4g} s" if edge.is_seen else "the log does not hold it"
    return Contribution(f"edge: {name}", abs(rate) * edge.u_s, "B", "rectangular", detail)


def moment_part(name: str, step_s: float) -> Contribution:
    """A moment that lies anywhere in a step [s]."""
    return Contribution(f"edge: {name}", edge_u(step_s), "B", "rectangular", f"anywhere in a step of {step_s:.4g} s")


def scatter_part(u: float, detail: str, dof: float | None = None) -> Contribution:
    """Scatter of the samples."""
    return Contribution("scatter", u, "A", "normal", detail, dof=dof)


def batch_part(found: MeanScatter, weight: float = 1.0) -> Contribution:
    """Scatter of a mean whose samples go together in time."""
    return Contribution("scatter", abs(weight) * found.u, "A", "normal", found.words(), dof=found.dof)


def one_sided(name: str, limit: float, detail: str) -> Contribution:
    """Something between 0 and a limit that is not corrected for: limit / sqrt 3."""
    return Contribution(name, abs(limit) / math.sqrt(3.0), "B", "rectangular, one side", detail)


def clock_of(meter: MeterModel, value: float) -> Contribution:
    """What the meter's clock adds to a time, an energy or a charge."""
    return clock_part(meter.clock, value, meter.label)
