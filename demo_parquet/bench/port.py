"""One output port of a power bank: its converter, its regulation, and how it protects itself."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from .heat import follow

__all__ = ["Load", "Port", "PortState", "parse_mode"]

DECAY_S = 0.35
"""Time constant with which a switched-off port's capacitors empty [s]."""
RISE_S = 0.06
"""Time constant of a port's voltage on its way to a new contract [s]."""
SLEW_W_PER_S = 7.0
"""How fast a controller takes power back when it cuts back."""


@dataclass(frozen=True)
class Load:
    """What the electronic load was set to: `W`, `A` or `off`."""

    unit: str
    value: float = 0.0

    def current(self, open_v: float, ohm: float) -> float:
        """Current [A] from a source of open_v [V] behind ohm [Ω]; the load regulates power or current."""
        if self.unit == "off" or open_v < 2.0:
            return 0.0
        if self.unit == "A":
            return self.value
        inside = open_v * open_v - 4.0 * ohm * self.value
        return 2.0 * self.value / (open_v + sqrt(max(inside, 0.0)))


OFF = Load("off")


@dataclass(frozen=True)
class Port:
    """What makes an output port behave as it does."""

    fixed_w: float
    """Lost whenever the port is on [W]."""
    share: float
    """Lost per watt delivered, at a ratio of 1 between output and pack voltage."""
    copper_ohm: float
    """Resistance that the output current meets inside, lost as heat [Ω]."""
    droop_ohm: float
    """Source resistance seen at the connector: how the voltage falls with current [Ω]."""
    set_error: float = 0.004
    """The voltage without load is this share above nominal."""
    amps: dict[float, float] | None = None
    """Largest current per offered voltage [A]."""
    trip_ratio: float = 1.2
    """Overload trips above this times the offered current."""
    trip_s: float = 0.4
    """How long the overload has to last [s]."""
    limit_ohm: float = 0.0
    """Foldback above 1.03 times the offered current: volts lost per ampere more [Ω]; 0 is none."""
    retry_s: float = 0.0
    """Comes back by itself after this long at 5 V [s]; 0 is not."""
    sleep_a: float = 0.0
    """A smaller load switches the port off [A]; 0 is never."""
    sleep_s: float = 30.0
    """After this long [s]."""

    def offered_a(self, volts: float) -> float:
        """What the port advertises at a voltage [A]."""
        return (self.amps or {}).get(volts, 3.0)


def parse_mode(mode: str) -> float:
    """Nominal voltage of a mode such as `fixed 20 V`, `default 5 V` or `PPS 9 V` [V]."""
    return float(mode.split()[1])


class PortState:
    """A port in time."""

    def __init__(self, port: Port) -> None:
        """Start switched off, with no load."""
        self.port = port
        self.set_v = 5.0
        self.is_on = False
        self.load = OFF
        self.level_v = 0.0
        self.voltage_v = 0.0
        self.current_a = 0.0
        self.cap_w = 1e9
        self.over_s = 0.0
        self.light_s = 0.0
        self.off_s = 0.0
        self.is_tripped = False

    @property
    def power_w(self) -> float:
        """Power delivered at the connector [W]."""
        return self.voltage_v * self.current_a

    def switch_on(self, set_v: float) -> None:
        """Offer a voltage [V]; the level gets there within a few time constants."""
        self.set_v = set_v
        self.is_on = True

    def switch_off(self) -> None:
        """Take the voltage away."""
        self.is_on = False
        self.off_s = 0.0

    def cap_towards(self, cap_w: float, dt_s: float) -> None:
        """Move the allowed power to cap_w: down no faster than the controller's slope, up at once."""
        if cap_w < self.cap_w:
            start = min(self.cap_w, max(self.power_w, cap_w))
            self.cap_w = max(cap_w, start - SLEW_W_PER_S * dt_s)
        else:
            self.cap_w = cap_w

    def step(self, dt_s: float, pack_v: float) -> tuple[float, float]:
        """Advance by dt_s: power drawn from the pack and power delivered [W]."""
        port = self.port
        self._retry(dt_s)
        target = self.set_v * (1.0 + port.set_error) if self.is_on else 0.0
        self.level_v = follow(self.level_v, target, dt_s, RISE_S if self.is_on else DECAY_S)
        if not self.is_on:
            self.voltage_v, self.current_a = self.level_v, 0.0
            return 0.0, 0.0
        offered = port.offered_a(self.set_v)
        amps = self.load.current(self.level_v, port.droop_ohm)
        level, amps = self._fold_back(amps, offered)
        amps = min(amps, self.cap_w / max(level, 0.1))
        self.voltage_v, self.current_a = max(level - port.droop_ohm * amps, 0.0), amps
        self._protect(dt_s, offered)
        given = self.voltage_v * amps
        ratio = max(self.set_v / pack_v, pack_v / self.set_v)
        lost = port.fixed_w + port.share * given * (0.6 + 0.4 * ratio) + port.copper_ohm * amps * amps
        return given + lost, given

    def _fold_back(self, amps: float, offered: float) -> tuple[float, float]:
        """Level [V] and current [A] where the port limits current instead of tripping at once."""
        port = self.port
        limit = 1.03 * offered
        if not port.limit_ohm or amps <= limit:
            return self.level_v, amps
        if self.load.unit == "W":
            amps = limit + (amps - limit) * 0.2
        return max(self.level_v - port.limit_ohm * (amps - limit), 0.0), amps

    def _protect(self, dt_s: float, offered: float) -> None:
        """Trip on overload, and fall asleep at a load too small to notice."""
        port = self.port
        is_over = self.current_a > port.trip_ratio * offered or (self.voltage_v < 0.7 * self.set_v and self.off_s > 2)
        self.over_s = self.over_s + dt_s if is_over else 0.0
        self.off_s += dt_s
        if self.over_s >= port.trip_s:
            self.is_tripped = True
            self.switch_off()
        is_light = self.current_a < port.sleep_a
        self.light_s = self.light_s + dt_s if is_light else 0.0
        if port.sleep_a and self.light_s >= port.sleep_s:
            self.switch_off()

    def _retry(self, dt_s: float) -> None:
        """Come back by itself after a trip, at 5 V, where the port does that."""
        if self.is_on or not self.is_tripped or not self.port.retry_s:
            return
        self.off_s += dt_s
        if self.off_s >= self.port.retry_s:
            self.is_tripped = False
            self.over_s = 0.0
            self.switch_on(5.0)
