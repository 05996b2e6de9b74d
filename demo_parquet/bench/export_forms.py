"""How eight invented meters' programs write a log: each function makes one file's bytes from its runs."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from .measure import Run

__all__ = [
    "bench_hms",
    "charger_utf16",
    "field_cp1252",
    "inline_seconds",
    "night_quoted",
    "numbered",
    "two_ports_ms",
    "wall_and_port",
]


def _column(run: Run, name: str, decimals: int, *, factor: float = 1.0, comma: bool = False) -> list[str]:
    """A channel as text with fixed decimals."""
    texts = [f"{value * factor:.{decimals}f}" for value in run.columns[name].tolist()]
    return [text.replace(".", ",") for text in texts] if comma else texts


def _join(head: list[str], columns: list[list[str]], separator: str, end: str = "\n") -> str:
    """Lines before the table, then its rows."""
    rows = [separator.join(cells) for cells in zip(*columns, strict=True)]
    return end.join([*head, *rows]) + end


def _hms(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _moments(run: Run, began: datetime) -> Iterable[datetime]:
    return (began + timedelta(seconds=t) for t in run.columns["t_s"].tolist())


def inline_seconds(runs: list[Run], _began: datetime) -> bytes:
    """Comma, point, UTF-8, units in parentheses, elapsed seconds, with the meter's counters."""
    run = runs[0]
    head = "Time (s),Voltage (V),Current (A),Power (W),Energy (Wh),Capacity (Ah),Temperature (°C)"
    columns = [
        _column(run, "t_s", 1),
        _column(run, "voltage_v", 3),
        _column(run, "current_a", 3),
        _column(run, "power_w", 2),
        _column(run, "energy_wh", 3),
        _column(run, "charge_ah", 3),
        _column(run, "temperature_c", 1),
    ]
    return _join([head], columns, ",").encode("utf-8")


def bench_hms(runs: list[Run], began: datetime) -> bytes:
    """Semicolon, decimal comma, UTF-8 with mark, preamble of key: value, h:mm:ss, mA."""
    run = runs[0]
    head = [
        "Messprotokoll",
        f"Datum: {began:%d.%m.%Y}",
        f"Beginn: {began:%H:%M:%S}",
        "Kanal: 1",
        "Bemerkung: Lager; Gerät nach Ruhe von 1,5 h",
        "",
        "Zeit;Spannung [V];Strom [mA];Gehäusetemperatur [°C]",
    ]
    columns = [
        [_hms(t) for t in run.columns["t_s"].tolist()],
        _column(run, "voltage_v", 3, comma=True),
        _column(run, "current_a", 0, factor=1000.0),
        _column(run, "temperature_c", 1, comma=True),
    ]
    return b"\xef\xbb\xbf" + _join(head, columns, ";", "\r\n").encode("utf-8")


def charger_utf16(runs: list[Run], began: datetime) -> bytes:
    """Tab, UTF-16 little-endian with mark, quantity/unit, ISO time with offset."""
    run = runs[0]
    columns = [
        [moment.isoformat(timespec="milliseconds") for moment in _moments(run, began)],
        _column(run, "voltage_v", 3),
        _column(run, "current_a", 3),
        _column(run, "temperature_c", 1),
    ]
    text = _join(["timestamp\tU/V\tI/A\tT_case/°C"], columns, "\t", "\r\n")
    return b"\xff\xfe" + text.encode("utf-16-le")


def field_cp1252(runs: list[Run], began: datetime) -> bytes:
    """Semicolon, decimal comma, Windows-1252, a row of units, date and time apart, discharge negative."""
    run = runs[0]
    moments = list(_moments(run, began))
    columns = [
        [f"{moment:%d.%m.%Y}" for moment in moments],
        [f"{moment:%H:%M:%S}" for moment in moments],
        _column(run, "voltage_v", 3, comma=True),
        _column(run, "current_a", 3, factor=-1.0, comma=True),
        _column(run, "temperature_c", 1, comma=True),
    ]
    head = ["Date;Heure;Tension;Courant;Température boîtier", "jj.mm.aaaa;hh:mm:ss;V;A;°C"]
    return _join(head, columns, ";", "\r\n").replace("-0,000", "0,000").encode("cp1252")


def two_ports_ms(runs: list[Run], _began: datetime) -> bytes:
    """Comma, two ports side by side, mV and mA in the names, milliseconds."""
    first, second = runs
    columns = [
        _column(first, "t_s", 0, factor=1000.0),
        _column(first, "voltage_v", 0, factor=1000.0),
        _column(first, "current_a", 0, factor=1000.0),
        _column(second, "voltage_v", 0, factor=1000.0),
        _column(second, "current_a", 0, factor=1000.0),
    ]
    head = "elapsed_ms,C1_voltage_mV,C1_current_mA,A1_voltage_mV,A1_current_mA"
    return _join([head], columns, ",").encode("utf-8")


def wall_and_port(runs: list[Run], began: datetime) -> bytes:
    """Semicolon, point, comments, Unix seconds, AC side beside the DC side."""
    wall, port = runs
    start = began.timestamp()
    columns = [
        [f"{start + t:.0f}" for t in wall.columns["t_s"].tolist()],
        _column(wall, "voltage_v", 1),
        _column(wall, "current_a", 4),
        _column(wall, "power_w", 2),
        _column(wall, "power_factor", 3),
        _column(port, "voltage_v", 3),
        _column(port, "current_a", 3),
    ]
    head = [
        "# log of both sides, one clock",
        "# mains 230 V 50 Hz; output 20 V",
        "Unix time (s);AC voltage (V);AC current (A);AC power (W);Power factor;DC voltage (V);DC current (A)",
    ]
    return _join(head, columns, ";").encode("ascii")


def numbered(runs: list[Run], began: datetime) -> bytes:
    """Tab, decimal comma, sample numbers with the interval stated before, a total at the bottom."""
    run = runs[0]
    t_s = run.columns["t_s"]
    columns = [
        [str(number) for number in range(1, len(t_s) + 1)],
        _column(run, "voltage_v", 3, comma=True),
        _column(run, "current_a", 3, comma=True),
    ]
    interval = f"{t_s[1] - t_s[0]:g}"
    head = [f"Started = {began:%Y-%m-%d %H:%M:%S}", f"Interval = {interval} s", "", "No.\tVoltage (V)\tCurrent (A)"]
    charge = f"{run.truth['charge_by_meter_ah']:.3f}".replace(".", ",")
    return (_join(head, columns, "\t", "\r\n") + f"Total charge (Ah)\t\t{charge}\r\n").encode("utf-8")


def night_quoted(runs: list[Run], began: datetime) -> bytes:
    """Every cell quoted, decimal comma inside, ports one below the other, time of day across midnight."""
    lines = [f'"Date","{began:%Y-%m-%d}"', '"time","port","U_V","I_A"']
    tables = []
    for run in runs:
        stamps = [f"{moment:%H:%M:%S}" for moment in _moments(run, began)]
        volts, amps = _column(run, "voltage_v", 3, comma=True), _column(run, "current_a", 3, comma=True)
        port = run.facts["port"]
        tables.append([f'"{t}","{port}","{v}","{a}"' for t, v, a in zip(stamps, volts, amps, strict=True)])
    for pair in zip(*tables, strict=True):
        lines += pair
    return ("\r\n".join(lines) + "\r\n").encode("utf-8")
