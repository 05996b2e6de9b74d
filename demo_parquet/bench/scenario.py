"""A test as it is run at the bench: loads over time, input over time, surroundings, and when it ends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import sin, sqrt

import numpy as np
import numpy.typing as npt

from .bank import Bank, Ledger
from .port import OFF, Load, parse_mode

__all__ = [
    "Array",
    "Contract",
    "Programme",
    "Record",
    "Room",
    "Scenario",
    "Source",
    "constant",
    "ramp",
    "simulate",
    "steps",
]

Array = npt.NDArray[np.float64]
Programme = Callable[[float], Load]
SAFE_V = 5.0


@dataclass(frozen=True)
class Room:
    """The air around the device: a level with a slow swing, as in a room with heating."""

    level_c: float
    swing_k: float = 0.25
    period_s: float = 3100.0
    phase: float = 0.0

    def at(self, t_s: float) -> float:
        """Temperature of the air [°C] at a time."""
        return self.level_c + self.swing_k * sin(6.283185307179586 * t_s / self.period_s + self.phase)


@dataclass(frozen=True)
class Source:
    """What feeds the input port: a voltage behind a resistance, and how much the device may take."""

    set_v: float
    ohm: float
    limit_w: float

    def current(self, watts: float) -> float:
        """Current [A] at which the device takes a power [W] at its port."""
        inside = self.set_v * self.set_v - 4.0 * self.ohm * watts
        return 2.0 * watts / (self.set_v + sqrt(max(inside, 0.0)))


@dataclass(frozen=True)
class Contract:
    """From a time on, a port offers a voltage; 0 takes it away (a re-negotiation's dropout)."""

    at_s: float
    port: str
    volts: float


@dataclass(frozen=True)
class Scenario:
    """One test of one power bank."""

    duration_s: float
    """It ends at the latest here [s]."""
    dt_s: float = 1.0
    """Step of the model [s]."""
    modes: dict[str, str] = field(default_factory=dict)
    """Mode per port that is on from the start."""
    loads: dict[str, Programme] = field(default_factory=dict)
    contracts: tuple[Contract, ...] = ()
    source: Source | None = None
    plugged: Callable[[float], bool] = lambda _t: True
    """Whether the source is connected at a time."""
    ambient: Room = Room(22.0)
    tail_s: float = 45.0
    """Logged on after the device is empty or full [s]."""
    stops: str = "time"
    """`empty`, `full` or `time`."""
    load_gain: float = 1.0
    """The electronic load's own error, as a factor."""


@dataclass
class Record:
    """What really happened, at every step: the truth that meters then look at."""

    t_s: Array
    channels: dict[str, Array]
    """`C1.v`, `C1.a` per port, `in.v`, `in.a`, `case_c`, `core_c`, `cell_c`, `ambient_c`, `soc`."""
    ledger: Ledger
    end_soc: float

    def power(self, port: str) -> Array:
        """Power at a port [W]."""
        return self.channels[f"{port}.v"] * self.channels[f"{port}.a"]

    def energy_wh(self, port: str) -> float:
        """Energy at a port over the whole record [Wh], trapezoidal at the model's own step."""
        return float(np.trapezoid(self.power(port), self.t_s)) / 3600.0

    def charge_ah(self, port: str) -> float:
        """Charge at a port over the whole record [Ah]."""
        return float(np.trapezoid(self.channels[f"{port}.a"], self.t_s)) / 3600.0


def constant(load: Load, *, lead_s: float = 4.0) -> Programme:
    """A load that is switched on after lead_s [s] and stays."""
    return lambda t: load if t >= lead_s else OFF


def steps(levels: list[tuple[float, Load]], *, lead_s: float = 4.0) -> Programme:
    """Loads one after another: (seconds, load) each; the last one stays."""
    edges = np.cumsum([lead_s, *[s for s, _ in levels]])

    def at(t_s: float) -> Load:
        if t_s < lead_s:
            return OFF
        index = int(np.searchsorted(edges, t_s, side="right")) - 1
        return levels[min(index, len(levels) - 1)][1]

    return at


def ramp(start_a: float, slope_a_per_s: float, *, lead_s: float = 4.0, hold_s: float = 20.0) -> Programme:
    """A current that waits at start_a for hold_s and then rises [A/s]."""

    def at(t_s: float) -> Load:
        if t_s < lead_s:
            return OFF
        return Load("A", start_a + slope_a_per_s * max(t_s - lead_s - hold_s, 0.0))

    return at


def simulate(bank: Bank, scenario: Scenario) -> Record:
    """Run a test on a bank from its present state, step by step."""
    for port, mode in scenario.modes.items():
        bank.ports[port].switch_on(parse_mode(mode))
        bank.ports[port].level_v = parse_mode(mode) * (1.0 + bank.ports[port].port.set_error)
    rows: list[tuple[float, ...]] = []
    names = [name for name in bank.ports if name in scenario.modes]
    pending = sorted(scenario.contracts, key=lambda c: c.at_s)
    ended_at: float | None = None
    t_s = 0.0
    while t_s <= scenario.duration_s + 1e-9:
        pending = _negotiate(bank, pending, t_s)
        for name in names:
            wanted = scenario.loads[name](t_s) if name in scenario.loads else OFF
            bank.ports[name].load = Load(wanted.unit, wanted.value * scenario.load_gain)
        offered = scenario.source.limit_w if scenario.source and scenario.plugged(t_s) else 0.0
        bank.step(scenario.dt_s, scenario.ambient.at(t_s), input_w=offered)
        rows.append(_row(bank, names, scenario, t_s))
        ended_at = _ended(bank, scenario, t_s, ended_at)
        if ended_at is not None and t_s - ended_at >= scenario.tail_s:
            break
        t_s = round(t_s + scenario.dt_s, 6)
    table = np.array(rows)
    heads = ["t", *[f"{n}.{q}" for n in names for q in "va"], "in.v", "in.a", "case_c", "core_c", "cell_c", "ambient_c"]
    channels = {head: table[:, k] for k, head in enumerate([*heads, "soc"])}
    return Record(channels.pop("t"), channels, bank.ledger, bank.soc)


def _negotiate(bank: Bank, pending: list[Contract], t_s: float) -> list[Contract]:
    """Carry out the contracts that are due; the rest remain."""
    while pending and pending[0].at_s <= t_s:
        contract, pending = pending[0], pending[1:]
        state = bank.ports[contract.port]
        if bank.is_empty:
            continue
        if contract.volts:
            state.switch_on(contract.volts)
        else:
            state.switch_off()
    return pending


def _row(bank: Bank, names: list[str], scenario: Scenario, t_s: float) -> tuple[float, ...]:
    """One step of the record."""
    ports = [x for n in names for x in (bank.ports[n].voltage_v, bank.ports[n].current_a)]
    volts = amps = 0.0
    if scenario.source and scenario.plugged(t_s):
        amps = scenario.source.current(bank.input_w)
        volts = scenario.source.set_v - scenario.source.ohm * amps
    cell_c = bank.case_c + 0.45 * bank.core_over_c
    return (t_s, *ports, volts, amps, bank.case_c, bank.core_c, cell_c, scenario.ambient.at(t_s), bank.soc)


def _ended(bank: Bank, scenario: Scenario, t_s: float, ended_at: float | None) -> float | None:
    """When the device was first seen empty or full, where that ends the test."""
    if ended_at is not None or scenario.stops == "time":
        return ended_at
    is_over = bank.is_empty if scenario.stops == "empty" else bank.is_full
    return t_s if is_over else None
