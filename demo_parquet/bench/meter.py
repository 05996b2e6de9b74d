"""A meter: it sees the truth through gain, offset, noise and resolution, at its own interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .scenario import Array

__all__ = ["METERS", "BenchMeter", "Quantity", "integrate"]

HOUR = 3600.0


@dataclass(frozen=True)
class Quantity:
    """How one quantity is measured: reading = round(gain x (truth + noise) + offset)."""

    gain: float
    offset: float
    noise: float
    """Standard deviation of a reading, beside noise_share of the truth."""
    decimals: int
    noise_share: float = 0.0

    def ideal(self, truth: Array) -> Array:
        """Readings with this meter's gain and offset, but without noise and rounding."""
        return self.gain * truth + self.offset

    def read(self, truth: Array, rng: np.random.Generator) -> Array:
        """Readings as the meter shows them."""
        noise = rng.standard_normal(len(truth)) * (self.noise + self.noise_share * np.abs(truth))
        return np.round(self.gain * (truth + noise) + self.offset, self.decimals) + 0.0


@dataclass(frozen=True)
class BenchMeter:
    """An instrument of the store."""

    name: str
    voltage: Quantity
    current: Quantity
    temperature: Quantity | None
    power_decimals: int | None = None
    """None where it logs no power."""
    counter_decimals: int | None = None
    """None where it has no counters."""
    counter_gain: float = 1.0
    """Its counters run by this factor against its own readings."""
    dead_a: float = 0.002
    """Smaller currents read 0 [A]."""

    def read_current(self, truth: Array, rng: np.random.Generator) -> Array:
        """Current as shown [A]: 0 within the dead zone."""
        shown = self.current.read(truth, rng)
        return np.where(np.abs(truth) < self.dead_a, 0.0, shown)

    def ideal_current(self, truth: Array) -> Array:
        """Current with gain and offset alone [A]."""
        return np.where(np.abs(truth) < self.dead_a, 0.0, self.current.ideal(truth))


def integrate(t_s: Array, values: Array) -> Array:
    """Running trapezoidal integral per hour, first value 0."""
    pieces = np.diff(t_s) * (values[1:] + values[:-1]) / 2.0 / HOUR
    return np.concatenate([[0.0], np.cumsum(pieces)])


_THERMISTOR = Quantity(1.0, 0.2, 0.06, 1)

METERS: dict[str, BenchMeter] = {
    "M1": BenchMeter(
        "M1",
        Quantity(1.00032, 0.0006, 0.0006, 3),
        Quantity(0.99934, 0.0004, 0.0005, 3, 0.00015),
        _THERMISTOR,
        power_decimals=2,
        counter_decimals=3,
        counter_gain=1.0011,
    ),
    "M2": BenchMeter(
        "M2",
        Quantity(0.99991, 0.0003, 0.0004, 3),
        Quantity(1.00021, -0.0003, 0.0003, 3, 0.0001),
        Quantity(1.0, -0.1, 0.05, 1),
    ),
    "M3": BenchMeter(
        "M3",
        Quantity(1.0004, 0.0, 0.08, 1),
        Quantity(0.9992, 0.0, 0.00002, 5, 0.0004),
        None,
        power_decimals=2,
        counter_decimals=3,
        dead_a=0.0,
    ),
    "M4": BenchMeter(
        "M4",
        Quantity(1.006, 0.01, 0.004, 2),
        Quantity(1.012, 0.005, 0.004, 2),
        None,
        power_decimals=1,
        counter_decimals=3,
        counter_gain=0.969,
        dead_a=0.02,
    ),
    "T1": BenchMeter(
        "T1",
        Quantity(1.0, 0.0, 0.0, 3),
        Quantity(1.0, 0.0, 0.0, 3),
        Quantity(1.0, 0.3, 0.04, 1),
    ),
}
