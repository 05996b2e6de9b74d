"""A power adapter, seen from the wall and from its port, and a cable between port and load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .heat import follow
from .scenario import Array

__all__ = ["Adapter", "AdapterRecord", "Cable", "CableRecord", "Wall", "run_adapter", "run_cable", "wall_of"]

COPPER_PER_K = 0.00393
"""Temperature coefficient of copper's resistance at 20 °C [1/K] (handbook value, from memory)."""


@dataclass(frozen=True)
class Adapter:
    """What one adapter takes from the wall for what it gives."""

    name: str
    rated_w: float
    fixed_w: float
    """Lost with no load at 5 V [W]."""
    share: float
    """Lost per watt delivered (transformer, rectifier)."""
    copper_ohm: float
    """Lost by the square of the output current [Ω]."""
    droop_ohm: float
    per_volt_w: float = 0.004
    """Fixed loss that grows with the output voltage [W/V]."""
    set_error: float = 0.006
    case_k_per_w: float = 6.0
    case_s: float = 1100.0

    def port(self, volts: float, amps: Array) -> Array:
        """Voltage at the connector [V] under a current [A]."""
        return volts * (1.0 + self.set_error) - self.droop_ohm * amps

    def loss(self, volts: Array, amps: Array) -> Array:
        """Power lost inside [W] at a port voltage [V] and current [A]."""
        return self.fixed_w + self.per_volt_w * volts + self.share * volts * amps + self.copper_ohm * amps**2

    def wall(self, volts: Array, amps: Array) -> Array:
        """Power taken from the wall [W] at a port voltage [V] and current [A]."""
        return volts * amps + self.loss(volts, amps)


@dataclass(frozen=True)
class Wall:
    """The truth of a wall side over time."""

    t_s: Array
    volts: Array
    amps: Array
    watts: Array
    power_factor: Array
    hertz: Array


@dataclass(frozen=True)
class AdapterRecord:
    """The truth of one adapter test: wall side, port side, case."""

    t_s: Array
    wall: Wall
    port_v: Array
    port_a: Array
    case_c: Array
    ambient_c: Array


def run_adapter(
    adapter: Adapter, volts: float, amps: Array, t_s: Array, *, ambient_c: float, rng: np.random.Generator
) -> AdapterRecord:
    """The truth of an adapter under a current over time [A] in a mode of `volts` [V]."""
    port_v = adapter.port(volts, amps)
    wall_w = adapter.wall(port_v, amps)
    lost_w = wall_w - port_v * amps
    wall = wall_of(adapter, wall_w, t_s, 230.5 + 0.9 * np.sin(2 * np.pi * t_s / 860.0) + _wander(len(t_s), rng))
    case_c = np.empty_like(t_s)
    value = ambient_c
    for k, step in enumerate(np.diff(t_s, prepend=t_s[0])):
        value = follow(value, ambient_c + adapter.case_k_per_w * float(lost_w[k]), float(step), adapter.case_s)
        case_c[k] = value
    return AdapterRecord(t_s, wall, port_v, amps, case_c, np.full_like(t_s, ambient_c))


def wall_of(adapter: Adapter, watts: Array, t_s: Array, volts: Array) -> Wall:
    """The wall side that carries a power [W]: power factor rises with load, mains at 50 Hz."""
    share = np.clip(watts / adapter.rated_w, 0.0, 1.2)
    factor = 0.36 + 0.22 * (1.0 - np.exp(-share / 0.18))
    hertz = 50.0 + 0.012 * np.sin(2 * np.pi * t_s / 300.0)
    return Wall(t_s, volts, watts / (volts * factor), watts, factor, hertz)


def _wander(samples: int, rng: np.random.Generator) -> Array:
    """Slow random wander of the mains voltage [V], held near its level."""
    kicks = 0.12 * rng.standard_normal(samples)
    value, out = 0.0, np.empty(samples)
    for k in range(samples):
        value = 0.995 * value + float(kicks[k])
        out[k] = value
    return out


@dataclass(frozen=True)
class Cable:
    """A cable by its loop resistance, supply and return together."""

    name: str
    loop_ohm: float
    """At 20 °C, contacts included [Ω]."""
    rated_a: float
    warm_k_per_w: float = 7.0
    warm_s: float = 240.0


@dataclass(frozen=True)
class CableRecord:
    """The truth of a cable test: voltages at both ends, current, temperature of the jacket."""

    t_s: Array
    near_v: Array
    far_v: Array
    amps: Array
    jacket_c: Array
    ohm: Array


def run_cable(cable: Cable, supply_v: float, amps: Array, t_s: Array, *, ambient_c: float) -> CableRecord:
    """The truth of a cable that carries a current over time [A] from a supply [V]."""
    jacket = np.empty_like(t_s)
    ohm = np.empty_like(t_s)
    value = ambient_c
    for k, step in enumerate(np.diff(t_s, prepend=t_s[0])):
        now = cable.loop_ohm * (1.0 + COPPER_PER_K * (value - 20.0))
        watts = now * float(amps[k]) ** 2
        value = follow(value, ambient_c + cable.warm_k_per_w * watts, float(step), cable.warm_s)
        jacket[k], ohm[k] = value, now
    near = supply_v * 1.003 - 0.02 * amps
    return CableRecord(t_s, near, near - ohm * amps, amps, jacket, ohm)
