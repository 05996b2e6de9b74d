"""A power bank: pack, converters, ports, charger and the habits of its controller, stepped through time.

Energy is kept in a ledger: what leaves the cells is either delivered or lost, and every loss is counted where it
arises, so that a test can hold one against the other.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from .cell import Pack, PackCollapsedError, pack_current
from .heat import Body, follow
from .port import Port, PortState

__all__ = ["Bank", "BankSpec", "Charger", "Habits", "Ledger"]

HOUR = 3600.0
FADE_PER_S = 0.004
"""Share of its power by which a fading output is taken back each second."""
GIVES_UP_W = 1.6
"""A fading output is switched off below this [W]."""


@dataclass(frozen=True)
class Charger:
    """The way in: what it draws and how it loses some of it."""

    fixed_w: float
    """Drawn whenever it runs [W]."""
    share: float
    """Lost per watt put into the pack."""
    copper_ohm: float
    """Resistance in the pack's path while charging [Ω]."""
    pack_a: float
    """Largest charging current of the pack [A]."""
    end_a: float
    """Charging ends when the pack's current has fallen to this [A]."""
    idle_w: float = 0.03
    """Drawn from the input once full or paused [W]."""
    pause_c: float = 90.0
    """Core temperature at which charging stops [°C]."""
    resume_c: float = 80.0
    """Core temperature at which it goes on [°C]."""


@dataclass(frozen=True)
class Habits:
    """What the controller does of its own accord."""

    quiescent_w: float = 0.06
    """Drawn from the pack while any output is on [W]."""
    cutback_c: float = 95.0
    """Core temperature at which outputs are cut back [°C]."""
    recover_c: float = 60.0
    """Core temperature at which they are given back [°C]."""
    cutback_w: float = 30.0
    """What is still given when cut back [W]."""
    boost_s: float = 1e9
    """Time for which more than `boost_w` is given, per discharge [s]."""
    boost_w: float = 1e9
    """Power from which the time counts, and what is given after it [W]."""
    fold_v: float = 0.0
    """Cell voltage under which outputs fade instead of going on to the cut-off [V]; 0 is never."""


@dataclass(frozen=True)
class BankSpec:
    """All that makes one power bank behave as it does."""

    name: str
    pack: Pack
    body: Body
    ports: dict[str, Port]
    charger: Charger
    habits: Habits = field(default_factory=Habits)


@dataclass
class Ledger:
    """Energies since the start [Wh]."""

    chemical: float = 0.0
    """Left the cells (negative: went in)."""
    delivered: float = 0.0
    taken: float = 0.0
    cell_loss: float = 0.0
    converter_loss: float = 0.0
    quiescent: float = 0.0

    def imbalance(self) -> float:
        """What came in less what went out or was lost [Wh]; 0 where energy is conserved."""
        came = self.chemical + self.taken
        return came - self.delivered - self.cell_loss - self.converter_loss - self.quiescent


class Bank:
    """A power bank in time."""

    def __init__(self, spec: BankSpec, *, soc: float, temperature_c: float) -> None:
        """Start at rest at a state of charge (0 to 1) and a temperature [°C], outputs on."""
        self.spec = spec
        self.soc = soc
        self.slow_v = 0.0
        self.case_c = temperature_c
        self.core_over_c = 0.0
        self.loss_w = 0.0
        self.pack_v = spec.pack.ocv(soc)
        self.ports = {name: PortState(port) for name, port in spec.ports.items()}
        self.is_empty = False
        self.is_full = soc >= 1.0
        self.is_paused = False
        self.is_cut_back = False
        self.boosted_s = 0.0
        self.ledger = Ledger()
        self.input_w = 0.0

    @property
    def core_c(self) -> float:
        """Temperature of the electronics [°C]."""
        return self.case_c + self.core_over_c

    def step(self, dt_s: float, ambient_c: float, *, input_w: float = 0.0) -> None:
        """Advance by dt_s with what the ports' loads ask, and up to input_w offered at the input port.

        Loads are set on `self.ports[...]` before; what flowed is read there and from `input_w` after.
        """
        self._limit_outputs(dt_s)
        need_w, delivered_w, port_loss_w = 0.0, 0.0, 0.0
        for state in self.ports.values():
            asked, given = state.step(dt_s, self.pack_v)
            need_w += asked
            delivered_w += given
            port_loss_w += asked - given
        quiet_w = self.spec.habits.quiescent_w if any(s.is_on for s in self.ports.values()) else 0.0
        self._flow(dt_s, need_w + quiet_w, input_w)
        self.ledger.delivered += delivered_w * dt_s / HOUR
        self.ledger.converter_loss += port_loss_w * dt_s / HOUR
        self.ledger.quiescent += quiet_w * dt_s / HOUR
        self._warm(dt_s, ambient_c, port_loss_w + quiet_w)

    def _limit_outputs(self, dt_s: float) -> None:
        """Set how much the ports may give together: by heat, by time at high power, by a tired pack."""
        habits = self.spec.habits
        if self.core_c > habits.cutback_c:
            self.is_cut_back = True
        elif self.core_c < habits.recover_c:
            self.is_cut_back = False
        total_w = sum(s.power_w for s in self.ports.values())
        if total_w > habits.boost_w + 1.0:
            self.boosted_s += dt_s
        cap_w = habits.cutback_w if self.is_cut_back else 1e9
        if self.boosted_s >= habits.boost_s:
            cap_w = min(cap_w, habits.boost_w)
        if habits.fold_v and self.pack_v < habits.fold_v * self.spec.pack.series and total_w > 0.5:
            cap_w = min(cap_w, total_w * (1.0 - FADE_PER_S * dt_s))
            if total_w < GIVES_UP_W:
                self._shut()
        for state in self.ports.values():
            state.cap_towards(cap_w, dt_s)

    def _flow(self, dt_s: float, need_w: float, input_w: float) -> None:
        """Find the pack's current for what outputs need and the charger may bring, and move the charge."""
        spec, pack = self.spec, self.spec.pack
        ocv = pack.ocv(self.soc)
        ohm = pack.resistance(self.soc, self.core_c)
        charger = spec.charger
        self._decide_charging(input_w)
        is_charging = input_w > 0.0 and not self.is_full and not self.is_paused
        offered_w = max(input_w - charger.fixed_w, 0.0) / (1.0 + charger.share) if is_charging else 0.0
        emf = ocv - self.slow_v
        path_ohm = ohm + (charger.copper_ohm if is_charging else 0.0)
        try:
            amps = pack_current(need_w - offered_w, emf, path_ohm)
        except PackCollapsedError:
            self._shut()
            amps = 0.0
        if is_charging:
            amps = self._limit_charging(amps, emf, ohm)
            offered_w = need_w - (emf * amps - path_ohm * amps * amps)
        self._book(dt_s, amps, ocv, ohm, is_charging=is_charging, offered_w=offered_w, input_w=input_w)
        slow_ohm = pack.slow_resistance(self.core_c)
        self.slow_v = follow(self.slow_v, amps * slow_ohm, dt_s, pack.slow_s)
        self.soc -= amps * dt_s / HOUR / pack.capacity_ah
        self.pack_v = emf - ohm * amps
        if self.pack_v < pack.empty_v and amps > 0.0:
            self._shut()

    def _limit_charging(self, amps: float, emf: float, ohm: float) -> float:
        """Charging current within the charger's limit and the pack's full voltage [A]; ends at the end current."""
        charger = self.spec.charger
        by_voltage = max(self.spec.pack.full_v - emf, 0.0) / ohm
        limited = max(amps, -charger.pack_a, -by_voltage)
        if by_voltage < charger.pack_a and -limited < charger.end_a and amps < limited + 1e-9:
            self.is_full = True
        return limited

    def _decide_charging(self, input_w: float) -> None:
        """Pause for heat and go on, and notice that the input was taken away."""
        charger = self.spec.charger
        if self.core_c > charger.pause_c:
            self.is_paused = True
        elif self.core_c < charger.resume_c:
            self.is_paused = False
        if input_w <= 0.0 and self.soc < 0.97:
            self.is_full = False

    def _book(
        self, dt_s: float, amps: float, ocv: float, ohm: float, *, is_charging: bool, offered_w: float, input_w: float
    ) -> None:
        """Enter this step's flows and losses of cells and charger in the ledger."""
        charger, book = self.spec.charger, self.ledger
        cell_loss = amps * amps * ohm + amps * self.slow_v
        copper_loss = amps * amps * charger.copper_ohm if is_charging else 0.0
        if is_charging:
            self.input_w = offered_w * (1.0 + charger.share) + charger.fixed_w
            charger_loss = offered_w * charger.share + charger.fixed_w + copper_loss
        else:
            self.input_w = charger.idle_w if input_w > 0.0 else 0.0
            charger_loss = self.input_w
        book.chemical += ocv * amps * dt_s / HOUR
        book.cell_loss += cell_loss * dt_s / HOUR
        book.converter_loss += charger_loss * dt_s / HOUR
        book.taken += self.input_w * dt_s / HOUR
        self.loss_w = cell_loss + charger_loss

    def _shut(self) -> None:
        """Switch every output off: the pack is empty, or collapsed."""
        self.is_empty = True
        for state in self.ports.values():
            state.switch_off()

    def _warm(self, dt_s: float, ambient_c: float, port_loss_w: float) -> None:
        """Let case and core follow the losses."""
        body = self.spec.body
        self.loss_w += port_loss_w
        self.case_c = follow(self.case_c, ambient_c + body.case_k_per_w * self.loss_w, dt_s, body.case_s)
        self.core_over_c = follow(self.core_over_c, body.core_k_per_w * self.loss_w, dt_s, body.core_s)
