"""First-order heating: a case that follows its losses with one time constant, and a core that runs hotter."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

__all__ = ["Body", "follow"]


def follow(value: float, target: float, dt_s: float, tau_s: float) -> float:
    """Value after dt_s on its way to a constant target: the exact solution of the first-order law.

    T(t) = T_target - (T_target - T_0) exp(-t / tau).
    """
    return target + (value - target) * exp(-dt_s / tau_s)


@dataclass(frozen=True)
class Body:
    """How a device sheds its losses."""

    case_k_per_w: float
    """Rise of the case at rest, per watt lost inside [K/W]."""
    case_s: float
    """Time constant of the case [s]."""
    core_k_per_w: float
    """How much hotter the electronics are than the case, per watt [K/W]."""
    core_s: float = 75.0
    """Time constant of the electronics over the case [s]."""
