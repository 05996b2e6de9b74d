"""Random tables as people label them, with known truth: every column that a person would read is in it.

`make_table(seed, kind)` gives the bytes and the truth, of one of `KINDS`. Shares no code with the importer; truth is
taken from the printed digits. Nothing here is a real product's format.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.exports.generator import Export, TruthRun
from tests.exports.tables_base import (
    BASE,
    CHANNELS,
    DIGITS,
    FACTORS,
    SMALL,
    Table,
    begin,
    bench_log,
    put_clock,
    quantities_of,
)
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


def _labels(m: Table) -> None:
    """Labels by habit, with a unit in one of the usual styles, or without."""
    rng, bench = m.rng, bench_log(m.rng, m.n, m.step)
    put_clock(m)
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
    for q in quantities_of(m):
        unit = BASE[q] if is_bare or q == "temperature" or rng.random() < 0.6 else SMALL[q]
        said = rng.choice(DEGREES) if q == "temperature" else unit
        m.measured(names[q] if is_bare else style.format(n=names[q], u=said), q, unit, bench[q])


def _glued(m: Table) -> None:
    """Units behind the numbers: with names, with letters, without any header."""
    rng, bench = m.rng, bench_log(m.rng, m.n, m.step)
    put_clock(m)
    names = FAMILIES[rng.choice(["plain", "words", "bus", "de", "symbols"])]
    gap = rng.choice(["", "", " "])
    for q in quantities_of(m):
        unit = BASE[q] if q == "temperature" or rng.random() < 0.7 else SMALL[q]
        said = rng.choice(["C", "°C", "℃", "C"]) if q == "temperature" else unit
        m.measured(names[q], q, unit, bench[q], glue=gap + said)


def _brackets(m: Table) -> None:
    """Full-width marks and other alphabets' letters."""
    rng, bench = m.rng, bench_log(m.rng, m.n, m.step)
    put_clock(m, ("s", "iso", "hms"))
    family = rng.choice(["zh", "ja", "words", "de", "plain", "symbols"])
    style = rng.choice((*WIDE_STYLES, "{n} ({u})", "{n}[{u}]"))
    m.features += [f"family={family}", f"style={style}"]
    for q in quantities_of(m):
        unit = BASE[q] if q == "temperature" or rng.random() < 0.5 else SMALL[q]
        said = rng.choice(LOOK_ALIKES[unit])
        m.features.append(repr(said))
        m.measured(style.format(n=FAMILIES[family][q], u=said), q, unit, bench[q])


def _rooms(m: Table) -> None:
    """Temperatures by their places, in a bare C, in brackets, behind a blank."""
    rng, bench = m.rng, bench_log(m.rng, m.n, m.step)
    put_clock(m, ("s", "iso", "t"))
    m.measured("Voltage (V)", "voltage", "V", bench["voltage"])
    m.measured("Current (A)", "current", "A", bench["current"])
    style = rng.choice(["{n} ({u})", "{n} {u}", "{n}_{u}", "{n} [{u}]", "{n}/{u}"])
    for channel in rng.sample(sorted(ROOMS), rng.randrange(1, 4)):
        said = rng.choice(DEGREES)
        values = bench["room"] if "ambient" in channel else bench["temperature"] + rng.uniform(0, 3)
        m.measured(style.format(n=rng.choice(ROOMS[channel]), u=said), "temperature", "°C", values, channel)


def _unit_column(m: Table) -> None:
    """A unit of its own beside each number, which changes where the meter changes its range."""
    rng, bench = m.rng, bench_log(m.rng, m.n, m.step)
    put_clock(m, ("s", "iso", "hms"))
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


def _clocks(m: Table) -> None:
    """Clocks of few words: a rate above, halves of seconds under `No`, stamps without marks; mAs beside them."""
    rng = m.rng
    form = rng.choice(["rate", "interval", "halves", "compact"])
    m.features.append(form)
    if form == "compact":
        put_clock(m, ("compact",))
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
    bench = bench_log(rng, m.n, m.step)
    m.measured("Voltage (V)", "voltage", "V", bench["voltage"])
    m.measured("Current (A)", "current", "A", bench["current"])
    if rng.random() < 0.6:
        unit = rng.choice(["mAs", "C", "mAh"])
        said = {"C": rng.choice(["C", "As", "A s"])}.get(unit, unit)
        m.measured(f"Charge ({said})", "charge", unit, bench["charge"])
    if rng.random() < 0.4:
        m.measured("Temp (C)", "temperature", "°C", bench["temperature"])


def _channels(m: Table) -> list[TruthRun] | None:
    """Channels of a logger: two quantities of one port, or two ports of two quantities each."""
    rng, bench = m.rng, bench_log(m.rng, m.n, m.step)
    put_clock(m, ("s", "iso", "hms"))
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
        bench = bench_log(rng, m.n, m.step)
        m.truth = {}
        for q in ("voltage", "current"):
            m.measured(style.format(n=f"{word}{port}", u=BASE[q]), q, BASE[q], bench[q])
        runs.append(TruthRun(None, m.t, m.truth, m.started, 1e-6))
    return runs


def _leftovers(m: Table) -> None:
    """Columns beside the readings: settings, states, and names that nobody can read."""
    rng, bench = m.rng, bench_log(m.rng, m.n, m.step)
    put_clock(m, ("s", "iso", "hms"))
    extra: list[Callable[[], None]] = []
    for q in quantities_of(m):
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


def _parted(m: Table) -> list[TruthRun]:
    """Rows of several things in one table: one after the other, or by turns."""
    rng = m.rng
    what = rng.choice(sorted(PARTING))
    names, values = PARTING[what]
    count = rng.randrange(2, 4)
    by_turns = what not in {"test", "cycle"} and rng.random() < 0.5
    put_clock(m, ("s", "hms", "s") if not by_turns else ("s", "iso", "hms"))
    m.features += [what, "by turns" if by_turns else "blocks"]
    titles = list(m.titles)
    clock = m.cells[0]
    runs, parts = [], []
    quantities = quantities_of(m)
    for _ in range(count):
        m.truth, m.titles, m.cells = {}, list(titles), [clock]
        bench = bench_log(rng, m.n, m.step)
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


def _restart(m: Table) -> list[TruthRun]:
    """A second log below the first: the clock begins at zero again, and no counter tells."""
    rng = m.rng
    put_clock(m, ("s", "hms", "ms", "t"))
    clock = m.cells[0]
    titles = list(m.titles)
    runs, parts = [], []
    for _ in range(2):
        m.truth, m.titles, m.cells = {}, list(titles), [clock]
        bench = bench_log(rng, m.n, m.step)
        for q in ("voltage", "current", "temperature"):
            m.measured(f"{q.capitalize()} ({BASE[q]})", q, BASE[q], bench[q])
        parts.append(m.cells)
        runs.append(TruthRun(None, m.t, m.truth, m.started, 1e-6))
    m.cells = [[*a, *b] for a, b in zip(*parts, strict=True)]
    m.answers |= {"restart": "split"}
    return runs


def _bare(m: Table) -> None:
    """No header at all: what can't be told is asked, in few questions."""
    bench = bench_log(m.rng, m.n, m.step)
    put_clock(m, ("s", "iso", "hms"))
    for q in quantities_of(m):
        unit = BASE[q] if q == "temperature" or m.rng.random() < 0.6 else SMALL[q]
        m.measured("", q, unit, bench[q])


def _pairs_of_parts(m: Table) -> list[TruthRun]:
    """Devices with two ports each: two columns say what a row is of, or a header that repeats itself does."""
    rng = m.rng
    put_clock(m, ("s", "hms"))
    clock, titles = m.cells[0], list(m.titles)
    is_wide = rng.random() < 0.4
    m.features.append("wide" if is_wide else "two columns")
    names = [(d, p) for d in ("PB-07", "PB-11") for p in ("C1", "A1")][: 2 if is_wide else 4]
    runs, parts = [], []
    if is_wide:
        for _ in names:
            m.truth, bench = {}, bench_log(rng, m.n, m.step)
            m.measured("Voltage (V)", "voltage", "V", bench["voltage"])
            m.measured("Current (A)", "current", "A", bench["current"])
            runs.append(TruthRun(None, m.t, m.truth, m.started, 1e-6))
        return runs
    for _ in names:
        m.truth, m.titles, m.cells = {}, [*titles, "Device", "Port"], [clock, [], []]
        bench = bench_log(rng, m.n, m.step)
        for q in ("voltage", "current"):
            m.measured(f"{q.capitalize()} ({BASE[q]})", q, BASE[q], bench[q])
        parts.append(m.cells)
        runs.append(TruthRun(None, m.t, m.truth, m.started, 1e-6))
    order = [(k, i) for i in range(m.n) for k in range(len(names))]
    if rng.random() < 0.5:
        order.sort()
    m.cells = [[names[k][c - 1] if c in {1, 2} else parts[k][c][i] for k, i in order] for c in range(len(m.titles))]
    return runs


def _odd_units(m: Table) -> None:
    """Units that nobody knows, or a thousandfold off what stands in the header: never in silence."""
    rng, bench = m.rng, bench_log(m.rng, m.n, m.step)
    put_clock(m, ("s", "iso", "hms"))
    odd = rng.choice(["unknown in name", "unknown behind", "thousandfold"])
    m.features += [odd, "unknown"]
    if odd == "thousandfold":
        at = rng.choice(["mV", "W"])
        texts = [m.number(x, 3) for x in bench["voltage"]]
        m.truth["voltage_v"] = np.array([float(x.replace(",", ".")) for x in texts])
        m.add("Voltage (mV)", texts, "voltage_v", "V")
        m.measured("Current (A)", "current", "A", bench["current"])
        if at == "W":
            m.measured("Power (W)", "power", "W", bench["power"])
        return
    m.measured("Voltage (qV)" if odd == "unknown in name" else "Voltage (V)", "voltage", "V", bench["voltage"])
    m.measured("Current (A)", "current", "A", bench["current"])
    if odd == "unknown behind":
        m.add("Zorb", [f"{m.number(x, 1)} qx" for x in bench["temperature"]])


KINDS: dict[str, Callable[[Table], list[TruthRun] | None]] = {
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
    "pairs": _pairs_of_parts,
    "odd units": _odd_units,
}


def make_table(seed: int, kind: str) -> Export:
    """Make one export of a kind."""
    m = begin(seed, kind)
    runs = KINDS[kind](m) or [TruthRun(None, m.t, m.truth, m.started, 1e-6)]
    m.answers.setdefault("clock-column", "1")
    rows = [list(row) for row in zip(*m.cells, strict=True)]
    head = [] if kind == "bare" else [m.titles]
    quoted = [[f'"{c}"' if m.delimiter in c else c for c in row] for row in [*head, *rows]]
    lines = [*m.above, *(m.delimiter.join(row) for row in quoted)]
    newline = m.rng.choice(["\n", "\r\n"])
    data = (newline.join(lines) + newline).encode(m.rng.choice(["utf-8", "utf-8", "utf-8-sig"]))
    return Export(seed, kind.replace(" ", "-"), data, ".csv", runs, m.answers, m.features)
