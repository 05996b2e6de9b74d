"""Random exports with known truth: plain, varied and hard ones. Never a real product's format; all from a seed.

`make(seed, tier)` gives the bytes and what any reader must find in them. Truth is taken from the printed digits, so a
reader is held to the last of them.
"""

from __future__ import annotations

import csv
import gzip
import io
import random
import re
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa

from tests.exports.words import ABBREVIATIONS, CHANNEL, LANGUAGES, PROBES, ROLES, SYMBOLS, UNITS

TIERS = ("plain", "varied", "hard")
SPACES = "  "
"""Delimiter that stands for runs of two or more spaces."""
_LOCAL = frozenset({"iso", "iso-space", "iso-whole", "dmy", "two"})
"""Clocks that are put back in autumn."""


@dataclass
class TruthRun:
    """One run as it must come out."""

    port: str | None
    t: np.ndarray
    """Seconds from the first sample."""
    channels: dict[str, np.ndarray]
    started: datetime | None
    t_tolerance: float


@dataclass
class Export:
    """A file and the truth about it."""

    seed: int
    tier: str
    data: bytes
    suffix: str
    runs: list[TruthRun]
    answers: dict[str, str] = field(default_factory=dict)
    """True answers to whatever may be asked, by question id."""
    features: list[str] = field(default_factory=list)
    may_ask: bool = False
    """True where the file alone can't settle its meaning."""


@dataclass
class _Make:
    """Choices of one file."""

    rng: random.Random
    tier: str
    language: str = "en"
    delimiter: str = ","
    decimal: str = "."
    newline: str = "\n"
    widths: list[int] = field(default_factory=list)
    """Widths of columns that spaces separate."""
    features: list[str] = field(default_factory=list)

    def chance(self, share: float, feature: str) -> bool:
        """Decide and remember a feature."""
        found = self.rng.random() < share
        if found:
            self.features.append(feature)
        return found

    def pick(self, what: str, options: list[str]) -> str:
        """Choose and remember."""
        found = self.rng.choice(options)
        self.features.append(f"{what}={found!r}")
        return found


def _bench(rng: random.Random, n: int, step: float) -> dict[str, np.ndarray]:
    """One port on a bench: idle, then a load that steps, volts that droop, a case that warms (invented model)."""
    noise = np.random.default_rng(rng.randrange(2**32))
    t = np.arange(n) * step
    level = rng.choice([5.0, 9.0, 12.0, 15.0, 20.0])
    amps = np.full(n, rng.uniform(0.6, 3.0))
    for _ in range(rng.randrange(4)):
        amps[rng.randrange(n) :] = rng.uniform(0.4, 3.0)
    amps[: rng.randrange(1, max(2, n // 12))] = 0.0
    amps = np.where(amps > 0, amps + noise.normal(0, 0.002, n), 0.0)
    volts = level * (1.0 - 0.01 * amps - 0.01 * t / t[-1]) + noise.normal(0, 0.002, n)
    watts = volts * amps
    steps = np.diff(t, prepend=t[0])
    heat = np.clip(22.0 + 15.0 * (1 - np.exp(-t / (0.4 * t[-1]))) + noise.normal(0, 0.05, n), 15, 60)
    return {
        "t": t,
        "voltage": volts,
        "current": amps,
        "power": watts,
        "energy": np.cumsum(watts * steps) / 3600.0,
        "charge": np.cumsum(amps * steps) / 3600.0,
        "temperature": heat,
    }


def _scaled(bench: dict[str, np.ndarray], by: float) -> dict[str, np.ndarray]:
    """Standby: the same, with milliamps instead of amps."""
    small = {k: v * by for k, v in bench.items() if k in {"current", "power", "energy", "charge"}}
    return {**bench, **small}


def _restarted(bench: dict[str, np.ndarray], at: int) -> dict[str, np.ndarray]:
    """Clock and counters begin again at a row: a new log in the same file."""
    out = {k: v.copy() for k, v in bench.items()}
    for name in ("t", "energy", "charge"):
        out[name][at:] -= out[name][at]
    return out


def _cut(run: TruthRun, at: int) -> list[TruthRun]:
    return [
        TruthRun(run.port, run.t[part], {k: v[part] for k, v in run.channels.items()}, run.started, run.t_tolerance)
        for part in (slice(0, at), slice(at, None))
    ]


def _wrapped(bench: dict[str, np.ndarray], share: float) -> dict[str, np.ndarray]:
    """Counters that begin again at zero when they are full, the clock running on."""
    out = dict(bench)
    for name in ("energy", "charge"):
        out[name] = bench[name] % (share * float(bench[name][-1]))
    return out


def _turn_some(bench: dict[str, np.ndarray]) -> None:
    """Let energy flow back for a fifth of the log."""
    n = len(bench["t"])
    part = slice(n // 2, n // 2 + n // 5)
    for name in ("current", "power"):
        bench[name][part] *= -1.0


def _mains(m: _Make, bench: dict[str, np.ndarray], style: str, columns: list[_Column], beside: TruthRun) -> TruthRun:
    """The adapter's mains side in the same rows: 230 V, power from a power factor of 0.6."""
    n = len(bench["t"])
    noise = np.random.default_rng(m.rng.randrange(2**32))
    volts = 230.0 + noise.normal(0, 0.3, n)
    watts = bench["power"] / 0.9 + 0.1
    amps = watts / 0.6 / volts
    truth: dict[str, np.ndarray] = {}
    for quantity, unit, digits, values in (
        ("voltage", "V", 2, volts),
        ("current", "A", 5, amps),
        ("power", "W", 3, watts),
    ):
        texts = [_number(float(v), digits, m) for v in values]
        title, row = _title(m, style, quantity, unit, f"AC {LANGUAGES['en'][quantity].lower()}")
        columns.append(_Column(title, row, texts, quantity, unit, "mains"))
        truth[CHANNEL[quantity]] = np.array([_value(x, m.decimal, "") for x in texts])
    return TruthRun("mains", beside.t, truth, beside.started, beside.t_tolerance)


def _digits(quantity: str, unit: str) -> int:
    return {
        "V": 3,
        "mV": 0,
        "A": 4,
        "mA": 1,
        "W": 3,
        "mW": 0,
        "Wh": 5,
        "mWh": 2,
        "J": 1,
        "kWh": 8,
        "Ah": 5,
        "mAh": 2,
        "C": 1,
        "°C": 1,
        "°F": 1,
        "K": 2,
        "s": 3,
        "ms": 0,
        "min": 5,
        "h": 7,
    }[unit]


@dataclass
class _Column:
    """A printed column."""

    title: str
    unit_row: str
    cells: list[str]
    quantity: str = ""
    unit: str = ""
    port: str | None = None


def _number(value: float, digits: int, make: _Make, thousands: str = "", *, exponent: bool = False) -> str:
    text = f"{value:.{max(digits, 3)}e}" if exponent else f"{value:{',' if thousands else ''}.{digits}f}"
    if thousands:
        text = text.replace(",", "\0").replace(".", make.decimal).replace("\0", thousands)
    elif make.decimal == ",":
        text = text.replace(".", ",")
    return text


def _value(text: str, decimal: str, thousands: str) -> float:
    if thousands:
        text = text.replace(thousands, "")
    return float(text.replace(decimal, "."))


def _title(make: _Make, style: str, quantity: str, unit: str, name: str) -> tuple[str, str]:
    """A column's title and its cell in the row of units."""
    if style == "nowhere" or (style == "cells" and quantity != "time"):
        return name, ""
    forms = {
        "paren": f"{name} ({unit})",
        "bracket": f"{name} [{unit}]",
        "slash": f"{name}/{unit}",
        "under": f"{name}_{unit}",
        "space": f"{name} {unit}",
        "cells": f"{name} ({unit})",
    }
    return (name, unit) if style == "row" else (forms[style], "")


def _measured(
    make: _Make,
    bench: dict[str, np.ndarray],
    quantities: list[str],
    naming: str,
    style: str,
    port: str | None,
    answers: dict[str, str],
    columns: list[_Column],
    thousands: str,
    *,
    negative: bool,
) -> dict[str, np.ndarray]:
    """Print the measured columns of one port; return the truth."""
    rng = make.rng
    truth: dict[str, np.ndarray] = {}
    names = {"words": LANGUAGES[make.language], "symbols": SYMBOLS, "short": ABBREVIATIONS}[naming]
    with_law = {"voltage", "current", "power"} <= set(quantities)
    exponent = make.tier == "hard" and style != "cells" and rng.random() < 0.06
    for quantity in quantities:
        options = [u for u in UNITS[quantity] if u != "kWh" or make.tier == "hard"]
        if make.tier == "plain":
            options = options[:1] if quantity not in {"current", "energy", "charge"} else options[:2]
        unit = rng.choice(options)
        factor, offset = UNITS[quantity][unit]
        values = (bench[quantity] - offset) / factor
        sign = -1.0 if negative and quantity in {"current", "power"} else 1.0
        texts = [_number(sign * v, _digits(quantity, unit), make, thousands, exponent=exponent) for v in values]
        kept = np.array([sign * _value(t, make.decimal, thousands) for t in texts])
        if make.tier != "plain" and quantity in {"temperature", "voltage"} and rng.random() < 0.15:
            gap = make.rng.choice(["", "--", "NaN", "OL"]) if make.tier == "hard" else ""
            gap = gap or ("--" if make.delimiter == SPACES else "")
            for at in rng.sample(range(3, len(texts)), 2):
                texts[at], kept[at] = gap, np.nan
            make.features.append(f"gap={gap!r}")
        name = names[quantity]
        if port is not None and len(port) > 0:
            name = f"{port}_{name}" if naming == "symbols" or style == "under" else f"{port} {name}"
        title, row = _title(make, style, quantity, unit, name)
        if style == "cells":
            texts = [f"{t} {unit}" if t and t[-1].isdigit() else t for t in texts]
        columns.append(_Column(title, row, texts, quantity, unit, port))
        truth[CHANNEL[quantity]] = kept * factor + offset
    del with_law, answers
    return truth


_START = datetime(2026, 1, 1, tzinfo=UTC)


def _stamp(form: str, moment: datetime) -> str:
    ms = moment.microsecond // 1000
    if form == "iso-whole":
        return f"{moment:%Y-%m-%dT%H:%M:%S}"
    if form == "iso":
        return f"{moment:%Y-%m-%dT%H:%M:%S}.{ms:03d}"
    if form == "iso-space":
        return f"{moment:%Y-%m-%d %H:%M:%S}.{ms:03d}"
    if form == "iso-zone":
        local = moment + timedelta(hours=2)
        return f"{local:%Y-%m-%dT%H:%M:%S}.{ms:03d}+02:00"
    if form == "iso-z":
        return f"{moment:%Y-%m-%dT%H:%M:%S}.{ms:03d}Z"
    if form == "dmy-bare":
        return f"{moment:%d/%m/%Y %H:%M:%S}.{ms:03d}"
    if form == "mdy-bare":
        return f"{moment:%m/%d/%Y %H:%M:%S}.{ms:03d}"
    if form == "dmy":
        return f"{moment:%d.%m.%Y %H:%M:%S}.{ms:03d}"
    if form == "mdy":
        return f"{moment:%m/%d/%Y %H:%M:%S}.{ms:03d}"
    return f"{moment:%m/%d/%Y %I:%M:%S}.{ms:03d} {'AM' if moment.hour < 12 else 'PM'}"


def _clock(
    make: _Make, t: np.ndarray, form: str, style: str, answers: dict[str, str], back_at: int
) -> tuple[list[_Column], np.ndarray, datetime | None, float]:
    """Print the clock: its columns, the truth in seconds, the start and a tolerance."""
    words = LANGUAGES[make.language]
    start = _START + timedelta(days=make.rng.randrange(300), seconds=make.rng.randrange(86400))
    if form in {"mdy", "mdy12", "dmy"} or form == "two":
        start = start.replace(day=make.rng.randrange(13, 28))
    if form in {"dmy-bare", "mdy-bare"}:
        start = start.replace(day=make.rng.choice([d for d in range(1, 13) if d != start.month]))
        answers["date-order"] = "day-first" if form == "dmy-bare" else "month-first"
    if form in UNITS["time"]:
        factor, _ = UNITS["time"][form]
        texts = [_number(x / factor, _digits("time", form), make) for x in t]
        kept = np.array([_value(x, make.decimal, "") for x in texts]) * factor
        where = "paren" if style == "cells" else style
        title, row = _title(make, where, "time", form, words["time"])
        answers["time-unit"] = form
        return [_Column(title, row, texts, "time", form)], kept, None, 2e-6 * max(1.0, factor)
    if form in {"hms", "hms-f"}:
        texts = []
        for x in t:
            whole = int(x + 1e-9)
            text = f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
            texts.append(text + (f".{round((x - whole) * 10):01d}" if form == "hms-f" else ""))
        return [_Column(words["time"], "", texts)], t.copy(), None, 1e-6
    if form == "tod":
        start = start.replace(hour=23, minute=make.rng.randrange(50, 59))
        moments = [start + timedelta(seconds=float(x)) for x in t]
        return [_Column(words["clock"], "", [f"{m:%H:%M:%S}" for m in moments])], t.copy(), None, 1e-6
    if form in {"unix", "unix-ms", "unix-us"}:
        scale = {"unix": 1, "unix-ms": 1000, "unix-us": 1_000_000}[form]
        texts = [str(round((start.timestamp() + float(x)) * scale)) for x in t]
        return [_Column("unix_time", "", texts)], t.copy(), start, 1e-6
    if form == "serial":
        days = [(start.timestamp() + float(x)) / 86400.0 + 25569.0 for x in t]
        return [_Column(words["stamp"], "", [_number(d, 9, make) for d in days])], t.copy(), start, 2e-3
    if form == "sample":
        answers["interval"] = repr(float(t[1] - t[0]))
        return [_Column(words["sample"], "", [str(i + 1) for i in range(len(t))])], t.copy(), None, 1e-6
    moments = [start + timedelta(seconds=float(x)) for x in t]
    if back_at:
        moments[back_at:] = [m - timedelta(hours=1) for m in moments[back_at:]]
    if form == "two":
        dates = _Column(words["date"], "", [f"{m:%d.%m.%Y}" for m in moments])
        return [dates, _Column(words["clock"], "", [f"{m:%H:%M:%S}" for m in moments])], t.copy(), start, 1e-6
    return [_Column(words["stamp"], "", [_stamp(form, m) for m in moments])], t.copy(), start, 1e-6


def _choose_form(make: _Make, step: float) -> str:
    if make.tier == "plain":
        return make.pick("clock", ["s", "iso"])
    forms = ["s", "ms", "min", "h", "iso", "iso-space", "iso-zone", "iso-z", "unix-ms"]
    if step >= 1.0:
        forms += ["hms", "two", "dmy", "unix"]
    if make.tier == "hard":
        forms += ["mdy", "mdy12", "serial", "sample", "unix-us"] + (["tod"] if step >= 1.0 else ["hms-f"])
        bare = ["dmy-bare", "mdy-bare"] if make.decimal == "." else ["dmy-bare"]
        forms += [make.rng.choice(bare)]
    return make.pick("clock", forms)


def make(seed: int, tier: str) -> Export:
    """Make one export.

    Args:
        seed: any integer.
        tier: `plain`, `varied` or `hard`.
    """
    rng = random.Random(f"{tier}/{seed}")
    m = _Make(rng, tier)
    hard, plain = tier == "hard", tier == "plain"
    step = rng.choice([0.5, 1.0, 2.0, 5.0, 10.0])
    n = rng.randrange(40, 400)
    if not plain:
        m.language = m.pick("language", sorted(LANGUAGES))
        m.delimiter = m.pick("delimiter", [",", ";", "\t", "|"])
        m.decimal = "," if m.chance(0.4, "decimal comma") else "."
        m.newline = m.pick("newline", ["\n", "\r\n", "\n", "\r\n", "\r"])
    if hard and m.decimal == "." and m.chance(0.08, "spaces"):
        m.delimiter = SPACES
    quoted = not plain and m.delimiter != SPACES and m.chance(0.2, "quoted")
    if m.decimal == "," and m.delimiter == ",":
        quoted = True
    naming = "words" if plain else m.pick("naming", ["words", "words", "words", "symbols", "short"])
    styles = ["paren"] if plain else ["paren", "bracket", "slash", "under", "space", "row"]
    style = m.pick("units", [*styles, "nowhere", "cells"] if hard else styles)
    quantities = ["voltage", "current"]
    quantities += [q for q in ("power", "energy", "charge", "temperature") if rng.random() < 0.55]
    if style == "nowhere":  # numbers must be able to tell, or a question is right
        quantities = [q for q in quantities if q != "temperature"]
    if not plain:
        rng.shuffle(quantities)
    ports: list[str | None] = [None]
    port_column = False
    if not plain and style != "nowhere" and m.chance(0.25, "two ports"):
        ports = rng.choice([["C1", "A1"], ["C1", "C2"], ["A1", "A2"]])
        port_column = hard and m.chance(0.4, "port column")
    thousands = ""
    if hard and m.chance(0.12, "thousands"):
        spaced = m.delimiter not in {",", SPACES} and m.decimal == ","
        thousands = " " if spaced else {".": "'", ",": "."}[m.decimal]
    answers: dict[str, str] = {"decimal": m.decimal}
    if hard and m.chance(0.05, "days long"):
        step = 300.0
    benches = [_bench(rng, n, step) for _ in ports]
    if hard and m.chance(0.08, "standby"):
        benches = [_scaled(b, rng.uniform(0.0002, 0.002)) for b in benches]
    form = _choose_form(m, step)
    restart = 0
    if hard and len(ports) == 1 and {"energy", "charge"} & set(quantities) and form in {"s", "ms", "hms", "min"}:
        restart = rng.randrange(20, n - 12) if m.chance(0.2, "restart") else 0
    if restart:
        benches = [_restarted(benches[0], restart)]
    has_counter = bool({"energy", "charge"} & set(quantities))
    is_bare = hard and len(ports) == 1 and not restart and not thousands and style not in {"cells", "row", "nowhere"}
    is_bare = is_bare and m.chance(0.06, "no header")
    if has_counter and hard and not restart and style != "nowhere" and not is_bare and m.chance(0.1, "counters wrap"):
        benches = [_wrapped(b, rng.uniform(0.4, 0.8)) for b in benches]
    one_log = hard and len(ports) == 1 and not restart and not has_counter and style != "nowhere"
    if one_log and m.chance(0.3, "both ways"):
        _turn_some(benches[0])
    if hard and step == 0.5 and form == "iso" and not restart and m.chance(0.6, "whole seconds"):
        form = "iso-whole"
    back_at = 0
    if hard and form in _LOCAL and m.chance(0.12, "an hour put back"):
        back_at = rng.randrange(10, n - 10)
    clock, t, started, tolerance = _clock(
        m, benches[0]["t"], form, "paren" if style == "cells" else style, answers, back_at
    )
    negative = hard and len(ports) == 1 and "both ways" not in m.features and m.chance(0.2, "negative")
    columns: list[_Column] = list(clock)
    runs: list[TruthRun] = []
    if port_column:
        rows, columns, runs = _stacked(
            m, benches, ports, clock, quantities, naming, style, t, started, tolerance, thousands
        )
    else:
        for bench, port in zip(benches, ports, strict=True):
            truth = _measured(m, bench, quantities, naming, style, port, answers, columns, thousands, negative=negative)
            runs.append(TruthRun(port, t, truth, started, tolerance))
        if restart:
            runs = _cut(runs[0], restart)
        if is_bare:
            answers["clock-column"] = "1"
            answers |= {f"column.{i + 1}": CHANNEL.get(c.quantity, "t_s") for i, c in enumerate(columns)}
        elif hard and not restart and style not in {"nowhere", "cells"} and m.chance(0.12, "probes"):
            _probes(m, benches[0], style, columns, runs)
        if hard and not is_bare and m.delimiter != SPACES and m.chance(0.08, "line breaks"):
            notes = [rng.choice(["", "ok", f"see{m.newline}below", f"a{m.newline}{m.newline}b, c"]) for _ in range(n)]
            columns.append(_Column("Remark", "", [f'"{x}"' for x in notes]))
        if hard and not is_bare and m.chance(0.1, "idle columns"):
            columns.append(_Column("Status", "", [rng.choice(["CC", "CV"]) for _ in range(n)]))
            title, row = _title(m, "paren" if style in {"nowhere", "cells"} else style, "current", "A", "Max current")
            columns.append(_Column(title, row, [f"3{m.decimal}000"] * n))
        if (
            hard
            and not is_bare
            and len(runs) == 1
            and style not in {"nowhere", "cells"}
            and m.chance(0.1, "mains beside")
        ):
            runs.append(_mains(m, benches[0], style, columns, runs[0]))
        if hard and not is_bare and len(runs) == 1 and m.chance(0.15, "data lines"):
            lines = [f"{0.6 + 0.01 * rng.random():.3f}".replace(".", m.decimal) for _ in range(n)]
            title, row = _title(m, "paren" if style in {"nowhere", "cells"} else style, "voltage", "V", "D+")
            columns.append(_Column(title, row, lines, "voltage", "V"))
            kept = np.array([_value(x, m.decimal, "") for x in lines])
            runs[0].channels["voltage_dp_v"] = kept
        rows = [[c.cells[i] for c in columns] for i in range(n)]
    for at, column in enumerate(columns):
        if column.quantity and column.quantity != "time":
            answers[f"unit.{at + 1}"] = column.unit
    is_open = style == "nowhere" or form == "sample" or form.endswith("-bare") or is_bare
    may_ask = is_open or m.decimal == "," or bool(thousands)
    text = _render(m, columns, rows, quoted, hard, form, step, runs, style, is_bare=is_bare, can_turn=not back_at)
    is_sheet = hard and m.decimal == "." and not thousands and style != "cells" and m.chance(0.07, "xlsx")
    data, suffix = (_sheet(m, text, form), ".xlsx") if is_sheet else _encode(m, text, hard)
    return Export(seed, tier, data, suffix, runs, answers, m.features, may_ask)


def _stacked(
    m: _Make,
    benches: list[dict[str, np.ndarray]],
    ports: list[str | None],
    clock: list[_Column],
    quantities: list[str],
    naming: str,
    style: str,
    t: np.ndarray,
    started: datetime | None,
    tolerance: float,
    thousands: str,
) -> tuple[list[list[str]], list[_Column], list[TruthRun]]:
    """Ports one below the other, with a column that names them: every port has the units of the first."""
    state = m.rng.getstate()
    head: list[_Column] = []
    runs = []
    parts: list[list[_Column]] = []
    for bench, port in zip(benches, ports, strict=True):
        m.rng.setstate(state)
        mine: list[_Column] = []
        truth = _measured(m, bench, quantities, naming, style, "", {}, mine, thousands, negative=False)
        parts.append(mine)
        runs.append(TruthRun(port, t, truth, started, tolerance))
        head = mine
    name = _Column(LANGUAGES[m.language]["port"], "", [])
    columns = [*clock, name, *head]
    rows = [
        [*(c.cells[i] for c in clock), str(port), *(c.cells[i] for c in mine)]
        for i in range(len(t))
        for mine, port in zip(parts, ports, strict=True)
    ]
    return rows, columns, runs


def _probes(m: _Make, bench: dict[str, np.ndarray], style: str, columns: list[_Column], runs: list[TruthRun]) -> None:
    """Print further temperatures, told apart by their words."""
    roles = m.rng.sample(sorted(PROBES), m.rng.randrange(1, 4))
    if any("temperature_c" in run.channels for run in runs):
        roles = [r for r in roles if r != "case"]
    unit = m.rng.choice(["°C", "°F", "K"])
    factor, offset = UNITS["temperature"][unit]
    for at, role in enumerate(roles):
        values = bench["temperature"] + 1.5 * at if role != "ambient" else 22.0 + 0.001 * bench["t"] % 1.0
        texts = [_number(float(v), _digits("temperature", unit), m) for v in (values - offset) / factor]
        title, row = _title(m, style, "temperature", unit, ROLES[m.language][role])
        columns.append(_Column(title, row, texts, "temperature", unit))
        kept = np.array([_value(x, m.decimal, "") for x in texts]) * factor + offset
        for run in runs:
            run.channels[PROBES[role]] = kept


def _line(cells: list[str], m: _Make, quoted: bool) -> str:
    if m.delimiter == SPACES:
        return SPACES.join((c or "-").ljust(w) for c, w in zip(cells, m.widths, strict=False)).rstrip()
    if quoted:
        return m.delimiter.join(c if c[:1] == '"' else f'"{c}"' for c in cells)
    return m.delimiter.join(c if m.delimiter not in c or c[:1] == '"' else f'"{c}"' for c in cells)


_NOTES = [
    "Bench log, second shelf; fan off, 22.5 C",
    "keep | this | file",
    "values 1, 2, 3 and 4.5 are checks",
    "no remarks",
    "serial 0042/17",
    "calibrated 12/2025, next 12/2026",
]


def _render(
    m: _Make,
    columns: list[_Column],
    rows: list[list[str]],
    quoted: bool,
    hard: bool,
    form: str,
    step: float,
    runs: list[TruthRun],
    style: str,
    *,
    is_bare: bool,
    can_turn: bool,
) -> str:
    """Lines of the file, with what stands around and between the samples."""
    rng = m.rng
    lines: list[str] = []
    is_spaced = m.delimiter == SPACES
    m.widths = [max(len(x) for x in (c.title, c.unit_row, *(r[i] for r in rows))) for i, c in enumerate(columns)]
    if form == "sample":
        lines += [f"Interval: {step:g} s", ""]
    if m.tier != "plain" and m.chance(0.4, "preamble"):
        mark = rng.choice([": ", " = ", ": "])
        lines = [f"Device{mark}unit 7", f"Operator note{mark}ok", *lines]
        if hard:
            lines += [rng.choice(["# ", "", ""]) + rng.choice(_NOTES) for _ in range(rng.randrange(0, 36))]
        if rng.random() < 0.5:
            lines.append("")
    header = _line([c.title for c in columns], m, quoted)
    if not is_bare:
        lines.append(header)
    if style == "row":
        lines.append(_line([c.unit_row for c in columns], m, quoted))
    body = [_line(r, m, quoted) for r in rows]
    if hard and form != "sample" and can_turn and m.chance(0.1, "descending"):
        body.reverse()
    elif hard:
        if not is_bare and m.chance(0.1, "header again"):
            body.insert(rng.randrange(5, len(body)), header)
        if m.chance(0.1, "blank lines"):
            body.insert(rng.randrange(5, len(body)), "")
        if m.chance(0.1, "short row"):
            body.insert(rng.randrange(5, len(body)), m.delimiter.join(rows[4][:1]) + m.delimiter + "1")
        if not is_spaced and m.chance(0.1, "total"):
            body += ["", _line(["Total", *("" for _ in columns[1:-1]), "12" + m.decimal + "5"], m, quoted)]
        elif m.chance(0.1, "end mark"):
            body.append("END")
    if hard and not is_spaced and m.chance(0.06, "trailing mark"):
        body = [b + m.delimiter if b else b for b in body]
    del runs
    return m.newline.join([*lines, *body]) + m.newline


def _sheet(m: _Make, text: str, form: str) -> bytes:
    """The same table as a spreadsheet: numbers as numbers, and some dates as dates."""
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    dated = form == "iso-space" and m.chance(0.5, "sheet dates")
    if m.delimiter == SPACES:
        rows = [re.split(r" {2,}", line.strip()) for line in text.split(m.newline)]
    else:
        rows = list(csv.reader(io.StringIO(text.replace(m.newline, "\n")), delimiter=m.delimiter))
    for row in rows:
        sheet.append([_typed(cell, dated=dated) for cell in row])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _typed(cell: str, *, dated: bool) -> object:
    if re.fullmatch(r"-?\d+", cell) and len(cell) < 16:
        return int(cell)
    if re.fullmatch(r"-?\d+\.\d*(e[+-]\d+)?", cell):
        return float(cell)
    if dated and re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d{3}", cell):
        return datetime.fromisoformat(cell)
    return cell or None


def _encode(m: _Make, text: str, hard: bool) -> tuple[bytes, str]:
    codecs = ["utf-8"] if m.tier == "plain" else ["utf-8", "utf-8-sig", "utf-16", "utf-16-le-bare"]
    if m.tier != "plain":
        wanted = {"zh": "gb18030", "pl": "cp1250", "ja": "utf-8"}.get(m.language, "cp1252")
        codecs += [wanted] * 2
    codec = m.pick("encoding", codecs)
    if codec == "utf-16-le-bare":
        data = text.encode("utf-16-le")
    else:
        try:
            data = text.encode(codec)
        except UnicodeEncodeError:
            data = text.encode("utf-8")
    if hard and "utf-16" not in codec and m.chance(0.05, "NUL tail"):
        data += b"\0" * m.rng.randrange(1, 600)
    if hard and m.chance(0.06, "gzip"):
        return gzip.compress(data, mtime=0), ".csv.gz"
    if hard and m.chance(0.06, "zstd"):
        return pa.compress(data, codec="zstd", asbytes=True), ".csv.zst"
    return data, ".csv"
