"""What the invented tables are made of: a bench, a clock, columns with their truth. The kinds are in `tables`."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

CHANNELS = {
    "voltage": "voltage_v",
    "current": "current_a",
    "power": "power_w",
    "energy": "energy_wh",
    "charge": "charge_ah",
    "temperature": "temperature_c",
}
BASE = {"voltage": "V", "current": "A", "power": "W", "energy": "Wh", "charge": "Ah", "temperature": "°C"}
SMALL = {"voltage": "mV", "current": "mA", "power": "mW", "energy": "mWh", "charge": "mAh"}
FACTORS = {"V": 1.0, "A": 1.0, "W": 1.0, "Wh": 1.0, "Ah": 1.0, "°C": 1.0} | dict.fromkeys(SMALL.values(), 1e-3)
FACTORS |= {"C": 1.0 / 3600.0, "mAs": 1e-3 / 3600.0, "J": 1.0 / 3600.0}
"""To the channel's unit: SI prefixes; 1 A h = 3600 A s and 1 W h = 3600 J exactly."""
DIGITS = {"V": 4, "A": 4, "W": 3, "Wh": 5, "Ah": 5, "°C": 1, "mV": 1, "mA": 1, "mW": 0, "mWh": 2, "mAh": 2}
DIGITS |= {"C": 2, "mAs": 0, "J": 1}


@dataclass
class Table:
    """A table while it is made."""

    rng: random.Random
    kind: str
    step: float
    n: int
    delimiter: str = ","
    decimal: str = "."
    titles: list[str] = field(default_factory=list)
    cells: list[list[str]] = field(default_factory=list)
    above: list[str] = field(default_factory=list)
    truth: dict[str, np.ndarray] = field(default_factory=dict)
    answers: dict[str, str] = field(default_factory=dict)
    features: list[str] = field(default_factory=list)
    t: np.ndarray = field(default_factory=lambda: np.empty(0))
    started: datetime | None = None

    def number(self, value: float, digits: int) -> str:
        """Print a number."""
        return f"{value:.{digits}f}".replace(".", self.decimal)

    def add(self, title: str, cells: list[str], channel: str = "unused", unit: str = "") -> None:
        """Put a column at the end, with the answers to what may be asked about it."""
        self.titles.append(title)
        self.cells.append(cells)
        at = len(self.titles)
        self.answers[f"column.{at}"] = channel
        if unit:
            self.answers[f"unit.{at}"] = unit

    def measured(
        self, title: str, quantity: str, unit: str, values: np.ndarray, channel: str = "", glue: str | None = None
    ) -> None:
        """Print a measured column; `glue` is what stands behind every number."""
        texts = [self.number(v, DIGITS[unit]) for v in values / FACTORS[unit]]
        channel = channel or CHANNELS[quantity]
        self.truth[channel] = np.array([float(x.replace(",", ".")) for x in texts]) * FACTORS[unit]
        self.add(title, texts if glue is None else [x + glue for x in texts], channel, unit)


def bench_log(rng: random.Random, n: int, step: float, level: float | None = None) -> dict[str, np.ndarray]:
    """A load on a port: idle first, steps of current, a droop of volts, heat (invented model)."""
    noise = np.random.default_rng(rng.randrange(2**32))
    level = level or rng.choice([5.0, 9.0, 12.0, 15.0, 20.0])
    amps = np.full(n, rng.uniform(0.7, 2.9))
    for _ in range(rng.randrange(1, 4)):
        amps[rng.randrange(n // 4, n) :] = rng.uniform(0.4, 2.9)
    amps = np.clip(amps + noise.normal(0, 0.004, n), 0, 5)
    amps[: rng.randrange(0, 4)] = 0.0
    volts = level * (1 - 0.012 * amps) + noise.normal(0, 0.003, n)
    hours = step / 3600.0
    rise = rng.uniform(6, 20) * (1 - np.exp(-np.arange(n) / (0.5 * n)))
    room = rng.uniform(18, 26) + 0.2 * np.sin(np.arange(n) / 25.0) + noise.normal(0, 0.03, n)
    return {
        "voltage": volts,
        "current": amps,
        "power": volts * amps,
        "charge": np.cumsum(amps) * hours,
        "energy": np.cumsum(volts * amps) * hours,
        "temperature": room + rise + noise.normal(0, 0.05, n),
        "room": room,
    }


def put_clock(m: Table, forms: tuple[str, ...] = ()) -> None:
    """Print the clock in front."""
    rng = m.rng
    start = datetime(2026, 2, 1, tzinfo=UTC) + timedelta(days=rng.randrange(250), seconds=rng.randrange(86400))
    form = rng.choice(forms or ("s", "s", "t", "ms", "min", "iso", "hms"))
    m.features.append(f"clock={form}")
    m.t = np.arange(m.n) * m.step
    if form in {"iso", "compact"}:
        mask = "%Y-%m-%dT%H:%M:%S" if form == "iso" else "%Y%m%d%H%M%S"
        m.started = start
        stamps = [(start + timedelta(seconds=float(x))).strftime(mask) for x in m.t]
        m.add(rng.choice(["Timestamp", "Date time", "Logged at"]), stamps, "t_s")
    elif form == "hms":
        whole = [int(x) for x in m.t]
        texts = [f"{x // 3600:02d}:{x // 60 % 60:02d}:{x % 60:02d}" for x in whole]
        m.add(rng.choice(["Elapsed", "Time", "Run time"]), texts, "t_s")
    else:
        unit = "s" if form == "t" else form
        factor = {"s": 1.0, "ms": 1e-3, "min": 60.0}[unit]
        texts = [m.number(x, {"s": 1, "ms": 0, "min": 5}[unit]) for x in m.t / factor]
        m.t = np.array([float(x.replace(",", ".")) for x in texts]) * factor
        title = "t" if form == "t" else rng.choice(["Time ({})", "t/{}", "Elapsed [{}]", "Time_{}", "t ({})"])
        m.add(title.format(unit), texts, "t_s")
        m.answers["time-unit"] = unit


def begin(seed: int, kind: str) -> Table:
    rng = random.Random(f"{kind}/{seed}")
    m = Table(rng, kind, rng.choice([1.0, 2.0, 5.0, 10.0]), rng.randrange(40, 160))
    m.delimiter = rng.choice([",", ";", "\t"])
    m.decimal = "," if m.delimiter != "," and rng.random() < 0.3 else "."
    m.answers["decimal"] = m.decimal
    return m


def quantities_of(m: Table, least: int = 0) -> list[str]:
    more = [q for q in ("power", "charge", "energy", "temperature") if m.rng.random() < 0.5]
    found = ["voltage", "current", *more]
    return found if len(found) >= least else ["voltage", "current", "power", "temperature"]
