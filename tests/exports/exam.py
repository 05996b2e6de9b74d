"""A second, random exam of the importers, in other words and of other make than `tables`: logs as people keep them.

Each file is drawn from habits: how the clock is written, what columns are called, what stands beside them. Shares no
code with the importer; truth is taken from the printed digits. Nothing here is a real product's format.
"""

from __future__ import annotations

import math
import random
from datetime import UTC, datetime, timedelta

import numpy as np

from tests.exports.generator import Export, TruthRun

VOLTS = [
    ("Volt. [V]", 1), ("Vbus_mV", 1e-3), ("outputVoltage", 1), ("U_DC / V", 1), ("voltage/mV", 1e-3), ("Volts", 1),
    ("V(V)", 1), ("Bus V", 1), ("Spannung(V)", 1), ("VOLTAGE_V", 1), ("Out volts", 1), ("Vout [mV]", 1e-3),
    ("Voltage,V", 1), ("tension (V)", 1), ("V-load(V)", 1), ("port voltage V", 1), ("U in V", 1), ("Tensión [V]", 1),
]  # fmt: skip
AMPS = [
    ("Curr. (mA)", 1e-3), ("Ibus_mA", 1e-3), ("load_current_mA", 1e-3), ("Amps", 1), ("I/A", 1), ("Iout [A]", 1),
    ("current(A)", 1), ("Strom(A)", 1), ("CURRENT_A", 1), ("Bus A", 1), ("I in mA", 1e-3), ("Output amps", 1),
    ("Corriente [mA]", 1e-3), ("intensité (A)", 1), ("A(A)", 1), ("load I (A)", 1), ("I-load(A)", 1),
]  # fmt: skip
WATTS = [
    ("Pwr/W", 1), ("P (W) calc", 1), ("power_mW", 1e-3), ("Watts", 1), ("Leistung(W)", 1), ("Pout [W]", 1),
    ("P/mW", 1e-3),     ("Potencia [W]", 1), ("load power W", 1), ("WATT", 1),
]  # fmt: skip
AMP_HOURS = [
    ("Cap.(mAh)", 1e-3), ("charge_mAh", 1e-3), ("Ah", 1), ("capacity [Ah]", 1), ("Q/mAh", 1e-3), ("mAh", 1e-3),
    ("accumulated Ah", 1), ("Ladung(mAh)", 1e-3), ("Total mAh", 1e-3), ("Capacité (mAh)", 1e-3),
]  # fmt: skip
WATT_HOURS = [
    ("Energy(Wh)", 1), ("energy_mWh", 1e-3), ("Wh", 1), ("E/Wh", 1), ("mWh", 1e-3), ("Work [Wh]", 1),
    ("Energie(mWh)", 1e-3), ("Total Wh", 1), ("Energía [Wh]", 1),
]  # fmt: skip
HEAT = [
    ("temperature_c", "Temp(°C)"), ("temperature_c", "case_temp_c"), ("temperature_c", "NTC °C"),
    ("temperature_ambient_c", "ambient °C"), ("temperature_ambient_c", "Room temp. (C)"),
    ("temperature_c", "Temp. [C]"), ("temperature_ambient_c", "Tamb/°C"), ("temperature_cell_c", "batt_temp_c"),
    ("temperature_plug_c", "plug temp °C"), ("temperature_meter_c", "board temp (°C)"),
    ("temperature_c", "Gehäuse °C"), ("temperature_c", "Temperatur(°C)"),
]  # fmt: skip
MORE = [
    ("frequency_hz", "Freq (Hz)", lambda rng, n: [50 + rng.gauss(0, 0.02) for _ in range(n)], 2),
    ("voltage_dp_v", "D+ (V)", lambda rng, n: [0.6 + rng.gauss(0, 0.01) for _ in range(n)], 3),
    ("voltage_dm_v", "D- [V]", lambda rng, n: [0.61 + rng.gauss(0, 0.01) for _ in range(n)], 3),
    ("voltage_cc1_v", "CC1 (V)", lambda rng, n: [1.68 + rng.gauss(0, 0.01) for _ in range(n)], 3),
    ("display_percent", "SoC %", lambda rng, n: [100 - math.floor(60 * i / n) + 0 * rng.random() for i in range(n)], 0),
    ("display_percent", "Battery level (%)", lambda rng, n: [90 - math.floor(50 * i / n) for i in range(n)], 0),
    ("resistance_ohm", "R load (Ω)", lambda rng, n: [5 + rng.gauss(0, 0.01) for _ in range(n)], 3),
]
"""Readings that have a channel: channel, name, numbers, decimals."""
ASIDE = [
    ("Efficiency (%)", lambda rng, n: [90 + rng.gauss(0, 0.5) for _ in range(n)], 1),
    ("Humidity (%)", lambda rng, n: [45 + rng.gauss(0, 0.5) for _ in range(n)], 1),
    ("Vmax (V)", lambda rng, n: [21.0 + i // 20 / 10 for i in range(n)], 2),
    ("I min (A)", lambda rng, n: [0.1 - i // 40 / 100 for i in range(n)], 2),
    ("Set current (A)", lambda rng, n: [2.0 + i // 30 / 2 for i in range(n)], 2),
    ("ripple (mV)", lambda rng, n: [20 + rng.gauss(0, 2) for _ in range(n)], 1),
    ("fan rpm", lambda rng, n: [1500 + rng.gauss(0, 30) for _ in range(n)], 0),
    ("RSSI", lambda rng, n: [-60 + rng.gauss(0, 3) for _ in range(n)], 0),
    ("status", lambda rng, n: [rng.randrange(2) for _ in range(n)], 0),
    ("error code", lambda rng, n: [0] * n, 0),
    ("pressure (hPa)", lambda rng, n: [1013 + rng.gauss(0, 0.3) for _ in range(n)], 1),
]
"""Columns that have no channel: settings, extremes, other quantities."""
CLOCKS = ["s", "s", "ms", "hms", "iso", "space", "slash", "epoch", "epoch ms", "min", "glued", "pm", "split", "bare"]
PAIRS = [("{} V", "{} A"), ("{} voltage (V)", "{} current (A)"), ("{}_U_V", "{}_I_A"), ("V{} (V)", "I{} (A)")]


def _walk(rng: random.Random, n: int, step: float) -> dict[str, list[float]]:
    """A load on a port: volts with droop, amps in steps, sums of both by rectangles (invented)."""
    level, amps = rng.choice([5.1, 9.05, 12.1, 14.9, 20.05]), rng.uniform(0.3, 2.8)
    v, i, q, e, t = [], [], [0.0], [0.0], []
    for k in range(n):
        if rng.random() < 0.02:
            amps = rng.uniform(0.3, 2.8)
        now = 0.0 if k < 2 else amps + rng.gauss(0, 0.003)
        i.append(now)
        v.append(level - 0.06 * now + rng.gauss(0, 0.002))
        t.append(24 + 12 * (1 - math.exp(-3 * k / n)) + rng.gauss(0, 0.05))
        if k:
            q.append(q[-1] + now * step / 3600)
            e.append(e[-1] + now * v[-1] * step / 3600)
    return {"v": v, "i": i, "p": [a * b for a, b in zip(v, i, strict=True)], "q": q, "e": e, "t": t}


class _Sheet:
    """Columns as they are put down, with the truth beside them."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(f"exam {seed}")
        self.names: list[str] = []
        self.columns: list[list[str]] = []
        self.truth: dict[str, np.ndarray] = {}
        self.answers: dict[str, str] = {"others": "unused", "rows": "keep", "restart": "join"}
        self.said: list[str] = []
        self.comma = False

    def put(self, name: str, values: list[float], decimals: int, channel: str = "unused", scale: float = 1.0) -> None:
        """Print a column of numbers."""
        texts = [f"{x / scale:.{decimals}f}" for x in values]
        if channel not in {"unused", "t_s"}:
            self.truth[channel] = np.array([float(x) for x in texts]) * scale
        self.write(name, [x.replace(".", ",") for x in texts] if self.comma else texts, channel)
        self.said.append(name)

    def write(self, name: str, texts: list[str], channel: str) -> None:
        """Put a column down as text."""
        self.names.append(name)
        self.columns.append(texts)
        self.answers[f"column.{len(self.names)}"] = channel


def _time(s: _Sheet, n: int, step: float) -> tuple[np.ndarray, datetime | None]:
    rng, form = s.rng, s.rng.choice(CLOCKS)
    s.said.append(f"clock {form}")
    began = datetime(2026, 3, 1, 8, tzinfo=UTC) + timedelta(days=rng.randrange(200), seconds=rng.randrange(40_000))
    began = began.replace(day=rng.randrange(13, 28))
    t = [k * step for k in range(n)]
    moments = [began + timedelta(seconds=x) for x in t]
    if form in {"s", "bare"}:
        s.put(
            rng.choice(["T+ (s)", "Elapsed(s)", "uptime_s", "sec", "Zeit[s]"]) if form == "s" else "time", t, 1, "t_s"
        )
    elif form == "ms":
        s.put(rng.choice(["time_ms", "t [ms]", "millis"]), t, 0, "t_s", 1e-3)
    elif form == "min":
        s.put(rng.choice(["minutes", "t/min", "Time (min)"]), t, 4, "t_s", 60)
        mark = "," if s.comma else "."
        t = [float(x.replace(mark, ".")) * 60 for x in s.columns[-1]]
    elif form == "glued":
        s.write("time", [f"{x:.1f} s".replace(".", "," if s.comma else ".") for x in t], "t_s")
    elif form == "hms":
        texts = [f"{int(x) // 3600}:{int(x) // 60 % 60:02d}:{int(x) % 60:02d}" for x in t]
        s.write(rng.choice(["duration", "hh:mm:ss", "run time"]), texts, "t_s")
    elif form in {"epoch", "epoch ms"}:
        by = 1 if form == "epoch" else 1000
        s.write(rng.choice(["ts", "epoch", "unix time"]), [str(round(m.timestamp() * by)) for m in moments], "t_s")
    elif form == "split":
        s.write("date", [f"{m:%d.%m.%Y}" for m in moments], "t_s")
        s.write("time", [f"{m:%H:%M:%S}" for m in moments], "t_s")
    else:
        mask = {"iso": "%Y-%m-%dT%H:%M:%SZ", "space": "%Y-%m-%d %H:%M:%S", "slash": "%Y/%m/%d %H:%M:%S"}
        mask["pm"] = "%m/%d/%Y %I:%M:%S %p"
        s.write(
            rng.choice(["when", "Timestamp", "Date/Time", "logged"]), [m.strftime(mask[form]) for m in moments], "t_s"
        )
    unit = {"ms": "ms", "min": "min"}.get(form, "s")
    s.answers |= {"time-unit": unit, "clock-column": "1", "date-order": "month-first" if form == "pm" else "day-first"}
    dated = {"iso", "space", "slash", "pm", "epoch", "epoch ms", "split"}
    return np.array(t), began if form in dated else None


def _one_port(s: _Sheet, n: int, step: float) -> None:
    rng, log = s.rng, _walk(s.rng, n, step)
    plan = [("v", VOLTS, "voltage_v", 3), ("i", AMPS, "current_a", 4)]
    plan += [item for item in (("p", WATTS, "power_w", 3), ("q", AMP_HOURS, "charge_ah", 5)) if rng.random() < 0.5]
    plan += [("e", WATT_HOURS, "energy_wh", 5)] if rng.random() < 0.5 else []
    if rng.random() < 0.4:
        rng.shuffle(plan)
    for key, names, channel, decimals in plan:
        name, scale = rng.choice(names)
        s.put(name, log[key], decimals if scale == 1 else max(0, decimals - 3), channel, scale)
        s.answers[f"unit.{len(s.names)}"] = {1: "", 1e-3: "m"}[scale] + {
            "v": "V",
            "i": "A",
            "p": "W",
            "q": "Ah",
            "e": "Wh",
        }[key]
    seen: set[str] = set()
    for channel, name in rng.sample(HEAT, rng.choice([0, 1, 1, 2])):
        if channel not in seen:
            seen.add(channel)
            s.put(name, [x - 3 * len(seen) for x in log["t"]], 1, channel)
            s.answers[f"unit.{len(s.names)}"] = "°C"
    for channel, name, make, decimals in rng.sample(MORE, rng.choice([0, 0, 1, 2])):
        if channel not in s.truth:
            s.put(name, make(rng, n), decimals, channel)
    for name, make, decimals in rng.sample(ASIDE, rng.choice([0, 0, 1, 2])):
        s.put(name, make(rng, n), decimals)


def _two_ports(s: _Sheet, n: int, step: float) -> list[dict[str, np.ndarray]]:
    ports = s.rng.choice([("C1", "A1"), ("USB-A", "USB-C"), ("Port 1", "Port 2"), ("1", "2"), ("Out1", "Out2")])
    volts, amps = s.rng.choice(PAIRS[:3] if ports != ("1", "2") else PAIRS[3:])
    found = []
    for port in ports:
        s.truth, log = {}, _walk(s.rng, n, step)
        s.put(volts.format(port), log["v"], 3, "voltage_v")
        s.answers[f"unit.{len(s.names)}"] = "V"
        s.put(amps.format(port), log["i"], 4, "current_a")
        s.answers[f"unit.{len(s.names)}"] = "A"
        found.append(s.truth)
    return found


def make_exam(seed: int, kind: str = "exam") -> Export:
    """One file of the exam."""
    s = _Sheet(seed)
    rng = s.rng
    mark = rng.choice([",", ";", "\t", ";"])
    s.comma = mark != "," and rng.random() < 0.35
    s.answers["decimal"] = "," if s.comma else "."
    n, step = rng.randrange(30, 200), rng.choice([1.0, 2.0, 5.0, 10.0, 30.0])
    t, began = _time(s, n, step)
    truths = _two_ports(s, n, step) if rng.random() < 0.15 else []
    if not truths:
        _one_port(s, n, step)
        truths = [s.truth]
    rows = [list(r) for r in zip(*s.columns, strict=True)]
    if rng.random() < 0.2:
        s.names.append("remark")
        for row in rows:
            row.append(rng.choice(["", "", "ok", "load changed"]))
    lines = [mark.join(r) for r in [s.names, *rows]]
    if any(mark in name for name in s.names):
        lines[0] = mark.join(f'"{name}"' for name in s.names)
    if rng.random() < 0.3:
        lines = ["Store bench 2", f"operator{mark}none", f"load: {rng.choice(['2 A', '10 W'])}", *lines]
    if rng.random() < 0.1:
        lines.append("end of log")
    end = rng.choice(["\n", "\r\n"])
    data = (end.join(lines) + end).encode(rng.choice(["utf-8", "utf-8-sig", "utf-8"]))
    return Export(seed, kind, data, ".csv", [TruthRun(None, t, x, began, 1e-6) for x in truths], s.answers, s.said)
