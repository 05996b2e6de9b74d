"""Random exports in other forms, clocks and languages, with known truth; shares no code with the importer.

`make_form(seed, kind)` gives the bytes and everything that a person would read in them. Truth is taken from the
printed digits. Nothing here is a real product's format.
"""

from __future__ import annotations

import csv
import io
import json
import random
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from tests.exports.forms_words import CODE_PAGES, CYRILLIC_UNITS, QUANTITIES, TIME_UNITS, WORDS
from tests.exports.generator import Export, TruthRun
from tests.exports.sheets import html_table, ods, xls, xlsx

LANGUAGES = ("ru", "uk", "tr", "cs", "hu", "sv", "fi", "el", "ko", "zh", "ja")
CHANNEL = {
    "voltage": "voltage_v",
    "current": "current_a",
    "power": "power_w",
    "energy": "energy_wh",
    "charge": "charge_ah",
    "temperature": "temperature_c",
}
UNITS = {
    "voltage": {"V": 1.0, "mV": 1e-3},
    "current": {"A": 1.0, "mA": 1e-3},
    "power": {"W": 1.0, "mW": 1e-3},
    "energy": {"Wh": 1.0, "mWh": 1e-3},
    "charge": {"Ah": 1.0, "mAh": 1e-3},
    "temperature": {"°C": 1.0},
}
"""Factors to the channel's unit: SI prefixes."""
DIGITS = {"V": 4, "mV": 1, "A": 4, "mA": 1, "W": 3, "mW": 0, "Wh": 5, "mWh": 2, "Ah": 5, "mAh": 2, "°C": 1}


@dataclass
class Table:
    """A table as it is meant, before it is written in any form."""

    rng: random.Random
    titles: list[str] = field(default_factory=list)
    units: list[str] = field(default_factory=list)
    """As printed; empty for a clock that has none."""
    quantities: list[str] = field(default_factory=list)
    cells: list[list[str]] = field(default_factory=list)
    """Columns of printed cells."""
    truth: dict[str, np.ndarray] = field(default_factory=dict)
    t: np.ndarray = field(default_factory=lambda: np.empty(0))
    started: datetime | None = None
    answers: dict[str, str] = field(default_factory=dict)
    features: list[str] = field(default_factory=list)
    decimal: str = "."

    @property
    def rows(self) -> list[list[str]]:
        """Rows of printed cells."""
        return [list(row) for row in zip(*self.cells, strict=True)]

    def heads(self, style: str = "paren") -> list[str]:
        """Titles with their units."""
        form = {"paren": "{} ({})", "bracket": "{} [{}]", "comma": "{}, {}", "slash": "{} / {}"}[style]
        return [form.format(t, u) if u else t for t, u in zip(self.titles, self.units, strict=True)]

    def pick(self, what: str, options: list[str]) -> str:
        """Choose and remember."""
        found = self.rng.choice(options)
        self.features.append(f"{what}={found!r}")
        return found

    def run(self, port: str | None = None) -> TruthRun:
        """What must come out of it."""
        return TruthRun(port, self.t - self.t[0], dict(self.truth), self.started, 2e-6)

    def export(self, seed: int, kind: str, data: bytes, suffix: str, *, may_ask: bool = False) -> Export:
        """Close it."""
        for at, (quantity, unit) in enumerate(zip(self.quantities, self.units, strict=True), 1):
            if quantity != "time":
                self.answers[f"unit.{at}"] = unit
                self.answers[f"column.{at}"] = CHANNEL[quantity]
        return Export(seed, kind, data, suffix, [self.run()], self.answers, self.features, may_ask)


def _bench(rng: random.Random, n: int, step: float) -> dict[str, np.ndarray]:
    """Volts that droop under a load that steps, a case that warms (an invented model)."""
    noise = np.random.default_rng(rng.randrange(2**32))
    t = np.arange(n) * step
    amps = np.full(n, rng.uniform(0.7, 2.9))
    amps[rng.randrange(n // 2, n) :] = rng.uniform(0.5, 2.9)
    amps = amps + noise.normal(0, 0.002, n)
    volts = rng.choice([5.0, 9.0, 12.0, 20.0]) * (1 - 0.012 * amps - 0.01 * t / t[-1]) + noise.normal(0, 0.002, n)
    dt = np.diff(t, prepend=t[0])
    return {
        "voltage": volts,
        "current": amps,
        "power": volts * amps,
        "energy": np.cumsum(volts * amps * dt) / 3600.0,
        "charge": np.cumsum(amps * dt) / 3600.0,
        "temperature": 22.0 + 14.0 * (1 - np.exp(-3 * t / t[-1])) + noise.normal(0, 0.05, n),
    }


def _table(rng: random.Random, language: str, n: int, step: float, *, decimal: str = ".", local: bool = False) -> Table:
    """Measured columns in a language; the clock is put before them by `_clock`."""
    table = Table(rng, decimal=decimal)
    wanted = ["voltage", "current"] + [q for q in QUANTITIES[2:] if rng.random() < 0.5]
    rng.shuffle(wanted)
    bench = _bench(rng, n, step)
    for quantity in wanted:
        unit = rng.choice(sorted(UNITS[quantity]))
        texts = [f"{v / UNITS[quantity][unit]:.{DIGITS[unit]}f}" for v in bench[quantity]]
        table.truth[CHANNEL[quantity]] = np.array([float(x) for x in texts]) * UNITS[quantity][unit]
        table.titles.append(rng.choice(WORDS[language][quantity]))
        table.units.append(CYRILLIC_UNITS.get(language, {}).get(unit, unit) if local else unit)
        table.quantities.append(quantity)
        table.cells.append([x.replace(".", decimal) for x in texts])
    table.t = np.arange(n) * step
    return table


def _put(table: Table, at: int, title: str, unit: str, cells: list[str]) -> None:
    table.titles.insert(at, title)
    table.units.insert(at, unit)
    table.quantities.insert(at, "time")
    table.cells.insert(at, cells)


def _elapsed(table: Table, language: str, *, local: bool = False) -> None:
    """An elapsed clock in front, in seconds, milliseconds or minutes."""
    unit, factor, digits = table.rng.choice([("s", 1.0, 1), ("s", 1.0, 3), ("ms", 1e-3, 0), ("min", 60.0, 6)])
    texts = [f"{x / factor:.{digits}f}" for x in table.t]
    table.t = np.array([float(x) for x in texts]) * factor
    spelled = CYRILLIC_UNITS.get(language, {}).get(unit, unit) if local else unit
    if local:
        spelled = TIME_UNITS.get(language, {}).get(unit, spelled)
    table.answers["time-unit"] = unit
    _put(table, 0, table.rng.choice(WORDS[language]["time"]), spelled, [x.replace(".", table.decimal) for x in texts])


def _begin(rng: random.Random) -> datetime:
    return datetime(
        2026, rng.randrange(1, 13), rng.randrange(13, 28), rng.randrange(24), rng.randrange(60), 7, tzinfo=UTC
    )


def _stamps(table: Table, title: str, write: Callable[[datetime], str], at: int = 0) -> list[datetime]:
    """A clock of dates in front, each written by a function of the moment."""
    begin = _begin(table.rng)
    moments = [begin + timedelta(seconds=float(x)) for x in table.t]
    table.started = begin
    _put(table, at, title, "", [write(m) for m in moments])
    return moments


def _csv(heads: list[str], rows: list[list[str]], delimiter: str) -> str:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\n")
    writer.writerow(heads)
    writer.writerows(rows)
    return out.getvalue()


def _small(rng: random.Random) -> tuple[int, float]:
    return rng.randrange(30, 160), rng.choice([1.0, 2.0, 5.0, 10.0])


# -- languages and code pages ------------------------------------------------------------------------------------------


def language(seed: int, kind: str) -> Export:
    """A plain table whose words, units and code page are those of a language: kind is `ru`, `el`, ..."""
    rng = random.Random(f"{kind}-{seed}")
    decimal = "," if kind not in {"ko", "zh", "ja"} and rng.random() < 0.6 else "."
    table = _table(rng, kind, *_small(rng), decimal=decimal, local=rng.random() < 0.7)
    if rng.random() < 0.3:
        write = "%d.%m.%Y %H:%M:%S" if kind not in {"ko", "zh", "ja", "sv"} else "%Y-%m-%d %H:%M:%S"
        _stamps(table, rng.choice(WORDS[kind]["stamp"]), lambda m: m.strftime(write))
    else:
        _elapsed(table, kind, local=rng.random() < 0.7)
    if rng.random() < 0.25:
        rows = len(table.cells[0])
        _put(table, 0, rng.choice(WORDS[kind]["sample"]), "", [str(i + 1) for i in range(rows)])
    delimiter = table.pick("delimiter", [";", "\t"] if decimal == "," else [",", ";", "\t"])
    style = table.pick("units", ["paren", "bracket", "comma", "slash"])
    if style == "comma" and delimiter == ",":
        style = "paren"
    text = _csv(table.heads(style), table.rows, delimiter)
    page = table.pick("page", list(CODE_PAGES[kind]))
    try:
        data = text.encode(page)
    except UnicodeEncodeError:
        table.features[-1] = "page='utf-8'"
        data = text.encode()
    return table.export(seed, kind, data, ".csv")


_FULL = str.maketrans("0123456789.,:-()[]", "０１２３４５６７８９．，：－（）［］")


def signs(seed: int, kind: str) -> Export:
    """Full-width brackets and digits, look-alike signs, thin spaces between thousands."""
    rng = random.Random(f"{kind}-{seed}")
    spoken = rng.choice(["zh", "ja", "en", "ko"])
    table = _table(rng, spoken, *_small(rng))
    _elapsed(table, spoken)
    which = table.pick("signs", ["wide brackets", "wide digits", "thin space", "look-alikes"])
    heads, rows, delimiter = table.heads(rng.choice(["paren", "bracket"])), table.rows, rng.choice([",", ";", "\t"])
    if which in {"wide brackets", "wide digits"}:
        heads = [h.translate(_FULL) for h in heads]
    if which == "wide digits":
        rows = [[c.translate(_FULL) for c in row] for row in rows]
    if which == "look-alikes":
        swap = {"°C": rng.choice(["℃", "˚C", "ºC"]), "mA": "ｍＡ", "V": "Ｖ", "mV": "ｍＶ"}
        heads = [f"{t} ({swap.get(u, u)})" if u else t for t, u in zip(table.titles, table.units, strict=True)]
    if which == "thin space":
        mark = rng.choice(["\u2009", "\u202f", "\u00a0"])
        rows = [[_grouped(c, mark) for c in row] for row in rows]
    return table.export(seed, kind, _csv(heads, rows, delimiter).encode(), ".csv")


def _grouped(cell: str, mark: str) -> str:
    whole, point, rest = cell.partition(".")
    return f"{int(whole):,}".replace(",", mark) + point + rest if whole.isdigit() else cell


# -- clocks ------------------------------------------------------------------------------------------------------------

_MONTHS = {
    "fr": [
        "janvier",
        "février",
        "mars",
        "avril",
        "mai",
        "juin",
        "juillet",
        "août",
        "septembre",
        "octobre",
        "novembre",
        "décembre",
    ],
    "de": [
        "Januar",
        "Februar",
        "März",
        "April",
        "Mai",
        "Juni",
        "Juli",
        "August",
        "September",
        "Oktober",
        "November",
        "Dezember",
    ],
    "es": [
        "enero",
        "febrero",
        "marzo",
        "abril",
        "mayo",
        "junio",
        "julio",
        "agosto",
        "septiembre",
        "octubre",
        "noviembre",
        "diciembre",
    ],
    "ru": [
        "января",
        "февраля",
        "марта",
        "апреля",
        "мая",
        "июня",
        "июля",
        "августа",
        "сентября",
        "октября",
        "ноября",
        "декабря",
    ],
    "pl": [
        "stycznia",
        "lutego",
        "marca",
        "kwietnia",
        "maja",
        "czerwca",
        "lipca",
        "sierpnia",
        "września",
        "października",
        "listopada",
        "grudnia",
    ],
    "en": [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ],
    "it": [
        "gennaio",
        "febbraio",
        "marzo",
        "aprile",
        "maggio",
        "giugno",
        "luglio",
        "agosto",
        "settembre",
        "ottobre",
        "novembre",
        "dicembre",
    ],
}


def _named(m: datetime, language: str, pattern: str) -> str:
    month = _MONTHS[language][m.month - 1]
    return pattern.format(d=m.day, M=month, b=month[:3], y=m.year, t=m.strftime("%H:%M:%S"))


def _half_day(m: datetime, am: str, pm: str, pattern: str) -> str:
    return pattern.format(h=(m.hour + 11) % 12 + 1, r=m.strftime("%M:%S"), p=am if m.hour < 12 else pm)


def _twelve(m: datetime) -> str:
    return _half_day(m, "AM", "PM", "{h}:{r} {p}")


WALLS: dict[str, Callable[[datetime], str]] = {
    "May 14, 2026 10:00:00 AM": lambda m: _named(m, "en", "{M} {d}, {y} ") + _twelve(m),
    "Mai 14 2026": lambda m: _named(m, "en", "{b} {d} {y} {t}"),
    "14 May 2026": lambda m: _named(m, "en", "{d} {M} {y} {t}"),
    "14 mai 2026": lambda m: _named(m, "fr", "{d} {M} {y} {t}"),
    "14. Mai 2026, ": lambda m: _named(m, "de", "{d}. {M} {y}, {t}"),
    "14 de mayo de 2026": lambda m: _named(m, "es", "{d} de {M} de {y} {t}"),
    "14 maja 2026": lambda m: _named(m, "pl", "{d} {M} {y} {t}"),
    "14 maggio 2026": lambda m: _named(m, "it", "{d} {M} {y} {t}"),
    "14 мая 2026 г.": lambda m: _named(m, "ru", "{d} {M} {y} г. {t}"),
    "2026年05月14日 t": lambda m: m.strftime("%Y年%m月%d日 %H:%M:%S"),
    "2026年05月14日 10時": lambda m: m.strftime("%Y年%m月%d日 %H時%M分%S秒"),
    "上午 10:00": lambda m: m.strftime("%Y/%m/%d ") + _half_day(m, "上午", "下午", "{p} {h}:{r}"),
    "上午10:00": lambda m: m.strftime("%Y-%m-%d ") + _half_day(m, "上午", "下午", "{p}{h}:{r}"),
    "오전 10:00": lambda m: f"{m.year}. {m.month}. {m.day}. " + _half_day(m, "오전", "오후", "{p} {h}:{r}"),
    "午前": lambda m: m.strftime("%Y/%m/%d ") + _half_day(m, "午前", "午後", "{p} {h}:{r}"),
    "10:00 a. m.": lambda m: m.strftime("%d/%m/%Y ") + _half_day(m, "a. m.", "p. m.", "{h}:{r} {p}"),
    "10.00.00": lambda m: m.strftime("%d.%m.%Y %H.%M.%S"),
    "iso 10.00.00": lambda m: m.strftime("%Y-%m-%d %H.%M.%S"),
    "20260514103000": lambda m: m.strftime("%Y%m%d%H%M%S"),
    "20260514_103000": lambda m: m.strftime("%Y%m%d_%H%M%S"),
    "20260514-103000": lambda m: m.strftime("%Y%m%d-%H%M%S"),
    "20260514 103000": lambda m: m.strftime("%Y%m%d %H%M%S"),
    "Thu May 14 10:30:00 2026": lambda m: f"{m:%a} {_named(m, 'en', '{b} {d} {t} {y}')}",
    "2026-05-14T10:30:00.000+00:00": lambda m: m.strftime("%Y-%m-%dT%H:%M:%S.000+00:00"),
}


def wall(seed: int, kind: str) -> Export:
    """One column of dates in a form that people or their programs write."""
    rng = random.Random(f"{kind}-{seed}")
    table = _table(rng, "en", *_small(rng))
    form = table.pick("clock", sorted(WALLS))
    _stamps(table, rng.choice(["Time", "Timestamp", "Date and time", "Date"]), WALLS[form])
    delimiter = rng.choice([",", ";", "\t"])
    return table.export(seed, kind, _csv(table.heads(), table.rows, delimiter).encode(), ".csv")


def _days(x: float, form: str) -> str:
    d, rest = divmod(round(x), 86400)
    h, rest = divmod(rest, 3600)
    m, s = divmod(rest, 60)
    if form == "1h 2m 3s":
        whole = [f"{h + 24 * d}h"] if h or d else []
        return " ".join([*whole, *([f"{m}m"] if m or whole else []), f"{s}s"])
    if form == "1h02m03s":
        return f"{h + 24 * d}h{m:02d}m{s:02d}s"
    return {
        "1d 00:00:01": f"{d}d {h:02d}:{m:02d}:{s:02d}",
        "0.00:00:05": f"{d}.{h:02d}:{m:02d}:{s:02d}",
        "1 day, 0:00:01": f"{d} day{'s' * (d != 1)}, {h}:{m:02d}:{s:02d}" if d else f"{h}:{m:02d}:{s:02d}",
        "P0DT0H0M5S": f"P{d}DT{h}H{m}M{s}S",
        "00:00:00:05": f"{d:02d}:{h:02d}:{m:02d}:{s:02d}",
        "0:00:05.0": f"{h + 24 * d}:{m:02d}:{s:02d}.0",
        "0h00'05\"": f"{h + 24 * d}h{m:02d}'{s:02d}\"",
        "00.00.05": f"{h + 24 * d:02d}.{m:02d}.{s:02d}",
    }[form]


DURATIONS = (
    "1d 00:00:01",
    "0.00:00:05",
    "1h 2m 3s",
    "1h02m03s",
    "1 day, 0:00:01",
    "P0DT0H0M5S",
    "0:00:05.0",
    "00.00.05",
)


def duration(seed: int, kind: str) -> Export:
    """An elapsed clock as a text with days, letters or dots; some logs pass an hour or a day."""
    rng = random.Random(f"{kind}-{seed}")
    n = rng.randrange(40, 160)
    table = _table(rng, "en", n, rng.choice([1.0, 5.0, 60.0, 1200.0]))
    form = table.pick("clock", list(DURATIONS))
    _put(table, 0, rng.choice(["Elapsed", "Time", "Run time"]), "", [_days(x, form) for x in table.t])
    delimiter = rng.choice([",", ";", "\t"])
    return table.export(seed, kind, _csv(table.heads(), table.rows, delimiter).encode(), ".csv")


def parts(seed: int, kind: str) -> Export:
    """A clock in parts: date beside hour, minute, second; year to second; or hour, minute, second alone."""
    rng = random.Random(f"{kind}-{seed}")
    table = _table(rng, "en", rng.randrange(130, 260), rng.choice([1.0, 2.0, 5.0, 10.0, 30.0]))
    which = table.pick("parts", ["date h m s", "y m d h m s", "h m s", "date h m s", "m s elapsed"])
    begin = _begin(rng)
    if which in {"h m s", "m s elapsed"}:
        begin = begin.replace(hour=0, minute=0, second=0)
    moments = [begin + timedelta(seconds=float(x)) for x in table.t]
    names = table.pick("names", ["Hour Min Sec", "Hours Minutes Seconds", "H M S", "hh mm ss", "Hr Min Sec"]).split()
    columns = [
        (names[0], [str(m.hour + 24 * (m.date() - begin.date()).days * (which == "h m s")) for m in moments]),
        (names[1], [str(m.minute + (which == "m s elapsed") * 60 * m.hour) for m in moments]),
        (names[2], [str(m.second) for m in moments]),
    ]
    if which == "date h m s":
        write = rng.choice(["%Y-%m-%d", "%d.%m.%Y", "%Y/%m/%d"])
        columns.insert(0, ("Date", [m.strftime(write) for m in moments]))
        table.started = begin
    elif which == "y m d h m s":
        columns = [
            ("Year", [str(m.year) for m in moments]),
            ("Month", [str(m.month) for m in moments]),
            ("Day", [str(m.day) for m in moments]),
            *columns,
        ]
        table.started = begin
    elif which == "m s elapsed":
        columns = columns[1:]
    if rng.random() < 0.4:
        columns = [(name, [c.zfill(2) for c in cells]) for name, cells in columns]
    for at, (name, cells) in enumerate(columns):
        _put(table, at, name, "", cells)
    delimiter = rng.choice([",", ";", "\t"])
    return table.export(seed, kind, _csv(table.heads(), table.rows, delimiter).encode(), ".csv")


def rate(seed: int, kind: str) -> Export:
    """The step is above the table, as a rate or an interval; or a column of halves says seconds by itself."""
    rng = random.Random(f"{kind}-{seed}")
    step = rng.choice([0.5, 1.0, 2.0, 5.0, 0.1])
    table = _table(rng, "en", rng.randrange(40, 160), step)
    which = table.pick("step", ["rate s", "rate Hz", "rate per s", "halves", "interval"])
    n = len(table.t)
    lines = {
        "rate s": rng.choice(
            [f"Sampling rate = {step:g} s", f"Sample rate: {step:g} sec", f"Rate: {step * 1000:g} ms"]
        ),
        "rate Hz": f"Sampling rate = {1 / step:g} Hz",
        "rate per s": rng.choice(
            [f"Sample rate: {1 / step:g} 1/s", f"Sampling rate: {1 / step:g} /s", f"Sample rate = {1 / step:g} S/s"]
        ),
        "interval": f"Interval: {step:g} s",
        "halves": "",
    }
    if which == "halves":
        table.t = np.arange(n) * 0.5
        table.truth = {k: v for k, v in table.truth.items() if k not in {"energy_wh", "charge_ah"}}
        kept = [i for i, q in enumerate(table.quantities) if q not in {"energy", "charge"}]
        table.titles, table.units = [table.titles[i] for i in kept], [table.units[i] for i in kept]
        table.quantities, table.cells = [table.quantities[i] for i in kept], [table.cells[i] for i in kept]
        _put(table, 0, rng.choice(["Time", "t", "Elapsed time", "Time", ""]), "", [f"{x:.1f}" for x in table.t])
        table.answers["time-unit"] = "s"
        table.answers["clock-column"] = "1"
    else:
        _put(table, 0, rng.choice(["Sample", "No", "#", "Index"]), "", [str(i + rng.choice([0]) + 1) for i in range(n)])
    delimiter = rng.choice([",", ";", "\t"])
    text = _csv(table.heads(), table.rows, delimiter)
    text = f"{lines[which]}\n\n{text}" if lines[which] else text
    return table.export(seed, kind, text.encode(), ".csv", may_ask=which == "halves")


# -- forms -------------------------------------------------------------------------------------------------------------

_KEYS = {
    "voltage": ("V", "voltage", "U", "volt"),
    "current": ("I", "current", "A", "curr"),
    "power": ("P", "power", "W"),
    "energy": ("E", "energy", "Wh"),
    "charge": ("Q", "charge", "cap"),
    "temperature": ("T", "temp", "temperature"),
}


def _keyed(rng: random.Random, *, glued: bool) -> tuple[Table, list[str], list[list[str]]]:
    """A table by short keys; the unit stands in the key or behind the number."""
    table = _table(rng, "en", *_small(rng))
    keys, rows = [], []
    words = rng.randrange(2)
    for quantity, unit in zip(table.quantities, table.units, strict=True):
        key = _KEYS[quantity][1 if words else 0]
        ascii_unit = unit.replace("°", "deg")
        keys.append(key if glued else f"{key}_{ascii_unit}")
    for row in table.rows:
        rows.append([c + u for c, u in zip(row, table.units, strict=True)] if glued else row)  # noqa: PERF401
    return table, keys, rows


def pairs(seed: int, kind: str) -> Export:
    """Lines of key=value."""
    rng = random.Random(f"{kind}-{seed}")
    glued = rng.random() < 0.5
    table, keys, rows = _keyed(rng, glued=glued)
    table.features.append("glued units" if glued else "units in keys")
    which = table.pick("clock", ["t=s", "ms", "iso", "bare iso"])
    if which == "iso" or which == "bare iso":
        begin = _begin(rng)
        table.started = begin
        clock = [(begin + timedelta(seconds=float(x))).strftime("%Y-%m-%dT%H:%M:%S") for x in table.t]
        name = "time"
    elif which == "ms":
        clock, name = [f"{x * 1000:.0f}" for x in table.t], "t_ms"
    else:
        clock, name = [f"{x:g}s" if glued else f"{x:g}" for x in table.t], "t" if glued else "t_s"
    mark = table.pick("mark", ["=", ":", "="])
    if mark == ":" and which in {"iso", "bare iso"}:
        mark = "="
    gap = table.pick("gap", [" ", ", ", ";", "\t"])
    lines = []
    for at, row in enumerate(rows):
        said = [f"{k}{mark}{c}" for k, c in zip(keys, row, strict=True)]
        first = clock[at] if which == "bare iso" else f"{name}{mark}{clock[at]}"
        lines.append(gap.join([first, *said]))
    _put(table, 0, name, "", clock)
    if rng.random() < 0.3:
        lines.insert(0, "# bench log, second shelf")
    return table.export(seed, kind, ("\n".join(lines) + "\n").encode(), rng.choice([".txt", ".log"]))


def _json_rows(rng: random.Random) -> tuple[Table, list[dict[str, object]]]:
    table, keys, rows = _keyed(rng, glued=False)
    which = table.pick("clock", ["s", "iso", "ms since 1970"])
    begin = _begin(rng)
    if which == "iso":
        table.started, name = begin, "timestamp"
        clock: list[object] = [(begin + timedelta(seconds=float(x))).strftime("%Y-%m-%dT%H:%M:%SZ") for x in table.t]
    elif which == "s":
        name, clock = "t_s", [float(x) for x in table.t]
    else:
        table.started, name = begin, "ts"
        clock = [round((begin.timestamp() + float(x)) * 1000) for x in table.t]
    typed = rng.random() < 0.8
    nest = rng.random() < 0.3
    table.features.append(f"typed={typed} nested={nest}")
    found = []
    for at, row in enumerate(rows):
        said: dict[str, object] = {k: float(c) if typed else c for k, c in zip(keys, row, strict=True)}
        found.append({name: clock[at], **({"port": said} if nest else said)})
    if rng.random() < 0.3:
        for each in found:
            each["status"] = "ok"
    _put(table, 0, name, "", [str(c) for c in clock])
    return table, found


def json_lines(seed: int, kind: str) -> Export:
    """One JSON object a line."""
    rng = random.Random(f"{kind}-{seed}")
    table, rows = _json_rows(rng)
    text = "\n".join(json.dumps(r) for r in rows) + "\n"
    return table.export(seed, kind, text.encode(), rng.choice([".jsonl", ".json", ".log"]))


def json_array(seed: int, kind: str) -> Export:
    """An array of objects, an object that holds one, an array of arrays, or an object of columns."""
    rng = random.Random(f"{kind}-{seed}")
    table, rows = _json_rows(rng)
    which = table.pick("json", ["array", "wrapped", "arrays", "columns", "array"])
    nested = any(isinstance(v, dict) for v in rows[0].values())
    if nested and which in {"arrays", "columns"}:
        which = "array"
    document: object = rows
    if which == "wrapped":
        document = {"device": "unit 7", rng.choice(["data", "samples", "records"]): rows}
    elif which == "arrays":
        document = [list(rows[0]), *[list(r.values()) for r in rows]]
    elif which == "columns":
        document = {k: [r[k] for r in rows] for k in rows[0]}
    text = json.dumps(document, indent=rng.choice([None, 1, 2]))
    return table.export(seed, kind, text.encode(), ".json")


def long_rows(seed: int, kind: str) -> Export:
    """One row per quantity: time, quantity, value, unit."""
    rng = random.Random(f"{kind}-{seed}")
    table = _table(rng, "en", *_small(rng))
    _elapsed(table, "en") if rng.random() < 0.6 else _stamps(
        table, "Timestamp", lambda m: m.strftime("%Y-%m-%d %H:%M:%S")
    )
    own_unit = rng.random() < 0.7
    table.features.append(f"unit column={own_unit}")
    names = table.heads()[1:] if not own_unit else table.titles[1:]
    head = [
        table.heads()[0],
        rng.choice(["Quantity", "Channel", "Parameter", "Signal"]),
        rng.choice(["Value", "Reading"]),
    ]
    rows = []
    for row in table.rows:
        for name, unit, cell in zip(names, table.units[1:], row[1:], strict=True):
            rows.append([row[0], name, cell, *([unit] if own_unit else [])])
    head += ["Unit"] if own_unit else []
    if rng.random() < 0.3:
        head[1], head[2] = head[2], head[1]
        rows = [[r[0], r[2], r[1], *r[3:]] for r in rows]
    delimiter = rng.choice([",", ";", "\t"])
    return table.export(seed, kind, _csv(head, rows, delimiter).encode(), ".csv")


def transposed(seed: int, kind: str) -> Export:
    """Quantities down, samples across."""
    rng = random.Random(f"{kind}-{seed}")
    table = _table(rng, "en", rng.randrange(30, 90), rng.choice([1.0, 5.0]))
    _elapsed(table, "en") if rng.random() < 0.6 else _stamps(
        table, "Timestamp", lambda m: m.strftime("%Y-%m-%d %H:%M:%S")
    )
    own_unit = rng.random() < 0.4
    table.features.append(f"unit column={own_unit}")
    lines = []
    for head, title, unit, cells in zip(table.heads(), table.titles, table.units, table.cells, strict=True):
        lines.append([title, unit, *cells] if own_unit else [head, *cells])
    out = io.StringIO()
    csv.writer(out, delimiter=rng.choice([",", ";", "\t"]), lineterminator="\n").writerows(lines)
    return table.export(seed, kind, out.getvalue().encode(), ".csv")


def _typed(cell: str) -> float | str:
    try:
        return float(cell)
    except ValueError:
        return cell


def book(seed: int, kind: str) -> Export:
    """A workbook or an HTML table; some hold a sheet of notes, or begin on a later sheet, or go on on the next."""
    rng = random.Random(f"{kind}-{seed}")
    table = _table(rng, "en", *_small(rng))
    _elapsed(table, "en") if rng.random() < 0.6 else _stamps(
        table, "Timestamp", lambda m: m.strftime("%Y-%m-%d %H:%M:%S")
    )
    rows = [[_typed(c) for c in row] for row in table.rows]
    head: list[float | str] = list(table.heads())
    suffix = {"xls": ".xls", "ods": ".ods", "xlsx": ".xlsx", "html": ".xls"}[kind]
    if kind == "html":
        return table.export(seed, kind, html_table(table.heads(), table.rows, rng), suffix)
    which = table.pick("sheets", ["one", "notes first", "empty first", "goes on", "summary last", "title rows"])
    sheets: list[tuple[str, list[list[float | str]]]] = [("Log", [head, *rows])]
    if which == "notes first":
        sheets.insert(0, ("Info", [["Bench log"], ["Operator note", "ok"]]))
    elif which == "empty first":
        sheets.insert(0, ("Cover", []))
    elif which == "goes on":
        half = len(rows) // 2
        sheets = [("Log 1", [head, *rows[:half]]), ("Log 2", [head, *rows[half:]])]
    elif which == "summary last":
        sheets.append(("Summary", [["Quantity", "Mean"], ["Voltage", 5.0], ["Current", 1.2]]))
    elif which == "title rows":
        sheets = [("Log", [["Bench log, second shelf"], [], head, *rows])]
    write = {"xls": xls, "ods": ods, "xlsx": xlsx}[kind]
    data = write(sheets)
    if kind == "xlsx" and rng.random() < 0.3:
        suffix = ".xls"  # a new workbook under the old name
        table.features.append("named .xls")
    return table.export(seed, kind, data, suffix)


def sheets(seed: int, kind: str) -> Export:
    """Two ports or two tests on two sheets of one workbook."""
    rng = random.Random(f"{kind}-{seed}")
    names = rng.choice([("C1", "A1"), ("Port C1", "Port C2")])
    state = rng.getstate()
    tables = []
    for _ in names:
        rng.setstate(state)
        fresh = _table(rng, "en", 60, 2.0)
        _elapsed(fresh, "en")
        tables.append(fresh)
    parts_of = [
        (name, [list(t.heads()), *[[_typed(c) for c in r] for r in t.rows]])
        for name, t in zip(names, tables, strict=True)
    ]
    write, suffix = rng.choice([(xlsx, ".xlsx"), (ods, ".ods"), (xls, ".xls")])
    export = tables[0].export(seed, kind, write(parts_of), suffix)
    export.runs = [t.run(name.removeprefix("Port ")) for name, t in zip(names, tables, strict=True)]
    return export


def archive(seed: int, kind: str) -> Export:
    """A zip of one export, or of several beside a file of notes."""
    rng = random.Random(f"{kind}-{seed}")
    count = rng.choice([1, 1, 2, 3])
    tables = []
    state = rng.getstate()
    n, step = _small(rng)
    for at in range(count):
        rng.setstate(state)  # one meter's logs have the same columns
        table = _table(rng, "en", n + 7 * at, step)
        _elapsed(table, "en")
        tables.append(table)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
        if rng.random() < 0.5:
            file.writestr("readme.txt", "These are logs of the second shelf.\nNothing else.\n")
        for at, table in enumerate(tables, 1):
            file.writestr(f"logs/log{at}.csv", _csv(table.heads(), table.rows, ","))
    tables[0].features.append(f"{count} exports")
    export = tables[0].export(seed, kind, out.getvalue(), ".zip")
    export.runs = [t.run() for t in tables]
    return export


KINDS: dict[str, Callable[[int, str], Export]] = {
    **dict.fromkeys(LANGUAGES, language),
    "signs": signs,
    "wall": wall,
    "duration": duration,
    "parts": parts,
    "rate": rate,
    "pairs": pairs,
    "jsonl": json_lines,
    "json": json_array,
    "long": long_rows,
    "transposed": transposed,
    "xls": book,
    "ods": book,
    "xlsx": book,
    "html": book,
    "sheets": sheets,
    "zip": archive,
}


def make_form(seed: int, kind: str) -> Export:
    """Make an export of a kind."""
    return KINDS[kind](seed, kind)
