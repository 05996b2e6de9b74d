"""Random tables as people label them, with known truth: every column that a person would read is in it.

`make_table(seed, kind)` gives the bytes and the truth, of one of `KINDS`. Shares no code with the importer; truth is
taken from the printed digits. Nothing here is a real product's format.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from tests.exports.generator import Export, TruthRun
from tests.exports.tables_words import (
    DEGREES,
    FAMILIES,
    LOOK_ALIKES,
    NO_READINGS,
    PARTING,
    PLACED,
    ROOMS,
    STATES,
    STYLES,
    UNKNOWN,
    WIDE_STYLES,
)

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
class _Table:
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


def _bench(rng: random.Random, n: int, step: float, level: float | None = None) -> dict[str, np.ndarray]:
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


def _clock(m: _Table, forms: tuple[str, ...] = ()) -> None:
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


def _begin(seed: int, kind: str) -> _Table:
    rng = random.Random(f"{kind}/{seed}")
    m = _Table(rng, kind, rng.choice([1.0, 2.0, 5.0, 10.0]), rng.randrange(40, 160))
    m.delimiter = rng.choice([",", ";", "\t"])
    m.decimal = "," if m.delimiter != "," and rng.random() < 0.3 else "."
    m.answers["decimal"] = m.decimal
    return m


def _quantities(m: _Table, least: int = 0) -> list[str]:
    more = [q for q in ("power", "charge", "energy", "temperature") if m.rng.random() < 0.5]
    found = ["voltage", "current", *more]
    return found if len(found) >= least else ["voltage", "current", "power", "temperature"]


def _labels(m: _Table) -> None:
    """Labels by habit, with a unit in one of the usual styles, or without."""
    rng, bench = m.rng, _bench(m.rng, m.n, m.step)
    _clock(m)
    if rng.random() < 0.3:
        place = rng.choice(sorted(PLACED))
        m.features.append(f"placed={place}")
        unit = BASE if place in {"twice", "under"} or rng.random() < 0.7 else BASE | SMALL
        for q, form in PLACED[place].items():
            m.measured(form.format(unit[q]), q, unit[q], bench[q])
        return
    family = rng.choice(sorted(FAMILIES))
    names = FAMILIES[family]
    style = rng.choice(STYLES)
    is_bare = rng.random() < 0.25 or family == "letters"
    m.features += [f"family={family}", f"style={'none' if is_bare else style}"]
    for q in _quantities(m):
        unit = BASE[q] if is_bare or q == "temperature" or rng.random() < 0.6 else SMALL[q]
        said = rng.choice(DEGREES) if q == "temperature" else unit
        m.measured(names[q] if is_bare else style.format(n=names[q], u=said), q, unit, bench[q])


def _glued(m: _Table) -> None:
    """Units behind the numbers: with names, with letters, without any header."""
    rng, bench = m.rng, _bench(m.rng, m.n, m.step)
    _clock(m)
    names = FAMILIES[rng.choice(["plain", "words", "bus", "de", "symbols"])]
    gap = rng.choice(["", "", " "])
    for q in _quantities(m):
        unit = BASE[q] if q == "temperature" or rng.random() < 0.7 else SMALL[q]
        said = rng.choice(["C", "°C", "℃", "C"]) if q == "temperature" else unit
        m.measured(names[q], q, unit, bench[q], glue=gap + said)


def _brackets(m: _Table) -> None:
    """Full-width marks and other alphabets' letters."""
    rng, bench = m.rng, _bench(m.rng, m.n, m.step)
    _clock(m, ("s", "iso", "hms"))
    family = rng.choice(["zh", "ja", "words", "de", "plain", "symbols"])
    style = rng.choice((*WIDE_STYLES, "{n} ({u})", "{n}[{u}]"))
    m.features += [f"family={family}", f"style={style}"]
    for q in _quantities(m):
        unit = BASE[q] if q == "temperature" or rng.random() < 0.5 else SMALL[q]
        said = rng.choice(LOOK_ALIKES[unit])
        m.features.append(repr(said))
        m.measured(style.format(n=FAMILIES[family][q], u=said), q, unit, bench[q])


def _rooms(m: _Table) -> None:
    """Temperatures by their places, in a bare C, in brackets, behind a blank."""
    rng, bench = m.rng, _bench(m.rng, m.n, m.step)
    _clock(m, ("s", "iso", "t"))
    m.measured("Voltage (V)", "voltage", "V", bench["voltage"])
    m.measured("Current (A)", "current", "A", bench["current"])
    style = rng.choice(["{n} ({u})", "{n} {u}", "{n}_{u}", "{n} [{u}]", "{n}/{u}"])
    for channel in rng.sample(sorted(ROOMS), rng.randrange(1, 4)):
        said = rng.choice(DEGREES)
        values = bench["room"] if "ambient" in channel else bench["temperature"] + rng.uniform(0, 3)
        m.measured(style.format(n=rng.choice(ROOMS[channel]), u=said), "temperature", "°C", values, channel)


def _unit_column(m: _Table) -> None:
    """A unit of its own beside each number, which changes where the meter changes its range."""
    rng, bench = m.rng, _bench(m.rng, m.n, m.step)
    _clock(m, ("s", "iso", "hms"))
    m.measured("Voltage (V)", "voltage", "V", bench["voltage"])
    for q in rng.sample(["current", "power"], rng.randrange(1, 3)):
        base, small = BASE[q], SMALL[q]
        is_mixed = rng.random() < 0.7
        units = [small if v < 1.0 or not is_mixed else base for v in bench[q]]
        texts = [m.number(v / FACTORS[u], DIGITS[u]) for v, u in zip(bench[q], units, strict=True)]
        m.truth[CHANNELS[q]] = np.array(
            [float(x.replace(",", ".")) * FACTORS[u] for x, u in zip(texts, units, strict=True)]
        )
        name = q.capitalize()
        m.add(name, texts, CHANNELS[q])
        m.add(rng.choice(["Unit", f"{name} unit", "Range", "U"]) if q == "current" else f"{name} unit", units)
    if "current_a" not in m.truth:
        m.measured("Current (A)", "current", "A", bench["current"])


def _clocks(m: _Table) -> None:
    """Clocks of few words: a rate above, halves of seconds under `No`, stamps without marks; mAs beside them."""
    rng = m.rng
    form = rng.choice(["rate", "interval", "halves", "compact"])
    m.features.append(form)
    if form == "compact":
        _clock(m, ("compact",))
    elif form == "halves":
        m.step = 0.5
        m.t = np.arange(m.n) * 0.5
        m.add(rng.choice(["#", "No", "t", "Elapsed", "Time"]), [m.number(x, 1) for x in m.t], "t_s")
        m.answers["time-unit"] = "s"
    else:
        said = rng.choice(["{:g} s", "{:g}s", "{:g} sec"]).format(m.step)
        key = rng.choice(["Sampling rate", "Sample rate", "Rate"]) if form == "rate" else "Sample interval"
        m.above.append(f"{key}{rng.choice([' = ', ': '])}{said}")
        m.t = np.arange(m.n) * m.step
        m.add(rng.choice(["#", "No", "Sample", "n"]), [str(i + 1) for i in range(m.n)], "t_s")
        m.answers["interval"] = f"{m.step:g}"
    bench = _bench(rng, m.n, m.step)
    m.measured("Voltage (V)", "voltage", "V", bench["voltage"])
    m.measured("Current (A)", "current", "A", bench["current"])
    if rng.random() < 0.6:
        unit = rng.choice(["mAs", "C", "mAh"])
        said = {"C": rng.choice(["C", "As", "A s"])}.get(unit, unit)
        m.measured(f"Charge ({said})", "charge", unit, bench["charge"])
    if rng.random() < 0.4:
        m.measured("Temp (C)", "temperature", "°C", bench["temperature"])


def _channels(m: _Table) -> list[TruthRun] | None:
    """Channels of a logger: two quantities of one port, or two ports of two quantities each."""
    rng, bench = m.rng, _bench(m.rng, m.n, m.step)
    _clock(m, ("s", "iso", "hms"))
    word = rng.choice(["CH", "Ch ", "Channel ", "Kanal "])
    style = rng.choice(["{n} ({u})", "{n} [{u}]", "{n} {u}", "{n}/{u}"])
    if rng.random() < 0.6:
        for at, q in enumerate(
            rng.choice([("voltage", "current"), ("current", "voltage"), ("voltage", "current", "power")])
        ):
            m.measured(style.format(n=f"{word}{at + 1}", u=BASE[q]), q, BASE[q], bench[q])
        return None
    runs = []
    for port in ("1", "2"):
        bench = _bench(rng, m.n, m.step)
        m.truth = {}
        for q in ("voltage", "current"):
            m.measured(style.format(n=f"{word}{port}", u=BASE[q]), q, BASE[q], bench[q])
        runs.append(TruthRun(None, m.t, m.truth, m.started, 1e-6))
    return runs


def _leftovers(m: _Table) -> None:
    """Columns beside the readings: settings, states, and names that nobody can read."""
    rng, bench = m.rng, _bench(m.rng, m.n, m.step)
    _clock(m, ("s", "iso", "hms"))
    extra: list[Callable[[], None]] = []
    for q in _quantities(m):
        title = f"{q.capitalize()} ({BASE[q]})"
        extra.append(lambda q=q, title=title: m.measured(title, q, BASE[q], bench[q]))
    extra += [
        lambda name=name: m.add(name, [m.number(3.0 + (i // 30) / 10, 2) for i in range(m.n)])
        for name in rng.sample(NO_READINGS, rng.randrange(0, 2))
    ]
    extra += [
        lambda name=name, values=values: m.add(name, [rng.choice(values) for _ in range(m.n)])
        for name, values in rng.sample(STATES, rng.randrange(0, 2))
    ]
    unknown = rng.sample(UNKNOWN, rng.choice([0, 0, 1, 1, 2, 4]))
    m.features += ["unknown"] * bool(unknown)
    for name in unknown:
        wander = np.cumsum(np.random.default_rng(rng.randrange(2**32)).normal(0, 1, m.n)) + rng.uniform(1, 90)
        extra.append(lambda name=name, wander=wander: m.add(name, [m.number(x, 2) for x in wander]))
    rng.shuffle(extra)
    for make in extra:
        make()
    m.answers["others"] = "unused"


def _parted(m: _Table) -> list[TruthRun]:
    """Rows of several things in one table: one after the other, or by turns."""
    rng = m.rng
    what = rng.choice(sorted(PARTING))
    names, values = PARTING[what]
    count = rng.randrange(2, 4)
    by_turns = what not in {"test", "cycle"} and rng.random() < 0.5
    _clock(m, ("s", "hms", "s") if not by_turns else ("s", "iso", "hms"))
    m.features += [what, "by turns" if by_turns else "blocks"]
    titles = list(m.titles)
    clock = m.cells[0]
    runs, parts = [], []
    quantities = _quantities(m)
    for _ in range(count):
        m.truth, m.titles, m.cells = {}, list(titles), [clock]
        bench = _bench(rng, m.n, m.step)
        m.add(names[0], [])
        for q in quantities:
            m.measured(f"{q.capitalize()} ({BASE[q]})", q, BASE[q], bench[q])
        parts.append(m.cells)
        runs.append(TruthRun(None, m.t, m.truth, m.started, 1e-6))
    m.titles[1] = rng.choice(names)
    order = (
        [(k, i) for i in range(m.n) for k in range(count)]
        if by_turns
        else [(k, i) for k in range(count) for i in range(m.n)]
    )
    m.cells = [
        [values[k] if c == 1 else parts[k][c][i] for k, i in order] for c in range(len(titles) + 1 + len(quantities))
    ]
    m.answers |= {"rows": "part", "restart": "split", "column.2": "port"}
    return runs


def _restart(m: _Table) -> list[TruthRun]:
    """A second log below the first: the clock begins at zero again, and no counter tells."""
    rng = m.rng
    _clock(m, ("s", "hms", "ms", "t"))
    clock = m.cells[0]
    titles = list(m.titles)
    runs, parts = [], []
    for _ in range(2):
        m.truth, m.titles, m.cells = {}, list(titles), [clock]
        bench = _bench(rng, m.n, m.step)
        for q in ("voltage", "current", "temperature"):
            m.measured(f"{q.capitalize()} ({BASE[q]})", q, BASE[q], bench[q])
        parts.append(m.cells)
        runs.append(TruthRun(None, m.t, m.truth, m.started, 1e-6))
    m.cells = [[*a, *b] for a, b in zip(*parts, strict=True)]
    m.answers |= {"restart": "split"}
    return runs


def _bare(m: _Table) -> None:
    """No header at all: what can't be told is asked, in few questions."""
    bench = _bench(m.rng, m.n, m.step)
    _clock(m, ("s", "iso", "hms"))
    for q in _quantities(m):
        unit = BASE[q] if q == "temperature" or m.rng.random() < 0.6 else SMALL[q]
        m.measured("", q, unit, bench[q])


KINDS: dict[str, Callable[[_Table], list[TruthRun] | None]] = {
    "labels": _labels,
    "glued": _glued,
    "brackets": _brackets,
    "rooms": _rooms,
    "unit column": _unit_column,
    "clocks": _clocks,
    "channels": _channels,
    "leftovers": _leftovers,
    "parted": _parted,
    "restart": _restart,
    "bare": _bare,
}


def make_table(seed: int, kind: str) -> Export:
    """Make one export of a kind."""
    m = _begin(seed, kind)
    runs = KINDS[kind](m) or [TruthRun(None, m.t, m.truth, m.started, 1e-6)]
    m.answers.setdefault("clock-column", "1")
    rows = [list(row) for row in zip(*m.cells, strict=True)]
    head = [] if kind == "bare" else [m.titles]
    quoted = [[f'"{c}"' if m.delimiter in c else c for c in row] for row in [*head, *rows]]
    lines = [*m.above, *(m.delimiter.join(row) for row in quoted)]
    newline = m.rng.choice(["\n", "\r\n"])
    data = (newline.join(lines) + newline).encode(m.rng.choice(["utf-8", "utf-8", "utf-8-sig"]))
    return Export(seed, kind.replace(" ", "-"), data, ".csv", runs, m.answers, m.features)
