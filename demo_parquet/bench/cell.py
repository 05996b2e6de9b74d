"""A lithium-ion pack: open-circuit voltage over charge, resistance over charge and temperature, one slow branch.

The curves are typical shapes (common practice, no source), not those of any real cell.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import exp, sqrt

import numpy as np

__all__ = ["CURVES", "Curve", "Pack", "PackCollapsedError", "pack_current"]

KELVIN = 273.15
REFERENCE_C = 25.0
TABLE_STEPS = 400


class PackCollapsedError(ArithmeticError):
    """More power was asked of the pack than it can give at any current."""


@dataclass(frozen=True)
class Curve:
    """Open-circuit voltage of one cell over state of charge (0 empty, 1 full)."""

    nominal_v: float
    full_v: float
    soc: tuple[float, ...]
    ocv_v: tuple[float, ...]

    @cached_property
    def table(self) -> tuple[float, ...]:
        """The curve at TABLE_STEPS + 1 equal steps of charge, one more for the last interval [V]."""
        grid = np.linspace(0.0, 1.0, TABLE_STEPS + 1)
        values = np.interp(grid, self.soc, self.ocv_v)
        return (*values.tolist(), float(values[-1]))

    def ocv(self, soc: float) -> float:
        """Open-circuit voltage of one cell [V] at a state of charge, linear between table points."""
        table = self.table
        place = min(max(soc, 0.0), 1.0) * TABLE_STEPS
        index = int(place)
        return table[index] + (table[index + 1] - table[index]) * (place - index)

    def energy_per_ah(self) -> float:
        """Mean open-circuit voltage over the whole charge [V = Wh/Ah]."""
        return float(np.trapezoid(self.ocv_v, self.soc))


_SOC = (0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 1.0)
CURVES: dict[str, Curve] = {
    "3.6 V": Curve(
        3.6, 4.20, _SOC, (2.60, 2.95, 3.15, 3.28, 3.40, 3.48, 3.55, 3.62, 3.71, 3.81, 3.91, 4.02, 4.13, 4.20)
    ),
    "3.7 V": Curve(
        3.7, 4.20, _SOC, (2.75, 3.10, 3.34, 3.46, 3.56, 3.61, 3.65, 3.71, 3.80, 3.89, 3.98, 4.07, 4.15, 4.20)
    ),
    "3.85 V": Curve(
        3.85, 4.40, _SOC, (2.80, 3.20, 3.45, 3.59, 3.68, 3.73, 3.78, 3.86, 3.96, 4.06, 4.17, 4.28, 4.36, 4.40)
    ),
}


@dataclass(frozen=True)
class Pack:
    """Cells in series, seen from the pack's own terminals."""

    curve: Curve
    series: int
    capacity_ah: float
    """Charge that this sample really holds, at the pack's terminals [Ah]."""
    resistance_ohm: float
    """Ohmic resistance at half charge and 25 °C [Ω]."""
    slow_ohm: float
    """Resistance of the slow (diffusion) branch [Ω]."""
    slow_s: float = 90.0
    """Time constant of the slow branch [s]."""
    activation_k: float = 2600.0
    """Steepness of resistance over 1/T [K]."""
    cutoff_v: float = 3.0
    """Per cell, under load [V]."""
    empty_rise: float = 0.9
    """By how much of itself the resistance is higher when empty."""

    def ocv(self, soc: float) -> float:
        """Open-circuit voltage of the pack [V]."""
        return self.series * self.curve.ocv(soc)

    def temperature_factor(self, temperature_c: float) -> float:
        """How many times its 25 °C value the resistance is at a temperature (Arrhenius)."""
        return exp(self.activation_k * (1.0 / (temperature_c + KELVIN) - 1.0 / (REFERENCE_C + KELVIN)))

    def resistance(self, soc: float, temperature_c: float) -> float:
        """Ohmic resistance [Ω]: rises when empty and when cold."""
        empty = 1.0 + self.empty_rise * exp(-max(soc, 0.0) / 0.06)
        return self.resistance_ohm * empty * self.temperature_factor(temperature_c)

    def slow_resistance(self, temperature_c: float) -> float:
        """Resistance of the slow branch [Ω] at a temperature."""
        return self.slow_ohm * self.temperature_factor(temperature_c)

    @property
    def full_v(self) -> float:
        """Voltage at which the charger holds the pack [V]."""
        return self.series * self.curve.full_v

    @property
    def empty_v(self) -> float:
        """Voltage under load at which the pack is cut off [V]."""
        return self.series * self.cutoff_v


def pack_current(power_w: float, emf_v: float, resistance_ohm: float) -> float:
    """Current [A] at which a source of an e.m.f. behind a resistance passes a power on.

    Solves R I² - E I + P = 0 for the smaller root; P < 0 (charging) gives I < 0.

    Raises:
        PackCollapsedError: the power exceeds E²/(4 R).
    """
    inside = emf_v * emf_v - 4.0 * resistance_ohm * power_w
    if inside < 0.0:
        raise PackCollapsedError
    return 2.0 * power_w / (emf_v + sqrt(inside))
