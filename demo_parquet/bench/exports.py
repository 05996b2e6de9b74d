"""Eight raw exports of different invented make, from the same model, with what is known of each."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from . import export_forms as forms
from .adapter import run_adapter
from .course import CASE, ROOM_C
from .fleet import ADAPTERS
from .measure import Run, measure, run_uid, stream
from .meter import METERS, integrate
from .parts import MAINS_GAIN, mains_columns
from .plan import Log, Test
from .port import Load, parse_mode
from .scenario import Room, Scenario, Source, constant
from .season import carry_out

__all__ = ["EXPORTS", "Export", "write_exports"]

EDGE_STEPS = 2.0
"""Load on and load off fall between two samples: each can cost one interval at the plateau."""
START_IS_IN = dict(zip("abcdefgh", ("", "preamble", "rows", "rows", "", "rows", "preamble", "preamble"), strict=True))
"""Where each export holds its date; empty where it holds none."""
READING_SHARE = 2e-4
"""Mean of noise and rounding over a log of thousands of samples, as a share: below this by far."""


@dataclass(frozen=True)
class Export:
    """One raw export: how it comes about and how it is imported."""

    file: str
    made: Callable[[datetime], tuple[list[Run], bytes]]
    began: datetime
    """Local time with its offset."""
    arguments: tuple[str, ...]
    """What `joulebook import FILE` is told beside the file."""
    about: str


def write_exports(folder: Path) -> None:
    """Write all exports and truth.json."""
    folder.mkdir(parents=True, exist_ok=True)
    truths = []
    for export in EXPORTS:
        runs, content = export.made(export.began)
        (folder / export.file).write_bytes(content)
        truths.append(_truth(export, runs))
    text = json.dumps({"schema": 1, "about": _ABOUT, "exports": truths}, indent=1, ensure_ascii=False)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")


_ABOUT = (
    "energy_wh and charge_ah are what an ideal recorder with the meter's gain and offset would have logged, integrated "
    "at the model's own step; charge is null on the mains side, where current alternates. tolerance = 2 intervals at "
    "full power (load on and off fall between samples) + 0.02 % for noise and rounding. started_at is UTC; "
    "start_is_in tells where the file holds it."
)


def _truth(export: Export, runs: list[Run]) -> dict[str, Any]:
    """What is known of an export, run by run."""
    rows = []
    for run in runs:
        t_s = run.columns["t_s"]
        interval_h = float(np.median(np.diff(t_s))) / 3600.0
        energy, charge = run.truth["energy_by_meter_wh"], run.truth.get("charge_by_meter_ah")
        watts, amps = run.truth["power_max_w"], run.truth["current_max_a"]
        rows.append(
            {
                "port": run.facts["port"],
                "direction": run.facts["direction"],
                "samples": len(t_s),
                "span_s": round(float(t_s[-1]), 3),
                "started_at": _written_start(export),
                "start_is_in": START_IS_IN[export.file[0]],
                "energy_wh": round(energy, 5),
                "charge_ah": None if charge is None else round(charge, 5),
                "energy_tolerance_wh": round(EDGE_STEPS * watts * interval_h + READING_SHARE * energy, 5),
                "charge_tolerance_ah": round(EDGE_STEPS * amps * interval_h + READING_SHARE * (charge or 0.0), 5),
            }
        )
    command = ["import", export.file, *export.arguments]
    return {"file": export.file, "about": export.about, "command": command, "runs": rows}


def _written_start(export: Export) -> str | None:
    """The start as UTC, for the exports that write a date; None for those that only count."""
    return None if not START_IS_IN[export.file[0]] else export.began.astimezone(UTC).isoformat()[:19]


def _bank_runs(device: str, test: Test, began: datetime) -> list[Run]:
    """A test that is in no pack, through its meters."""
    _, record = carry_out(device, test, 1.0)
    runs = measure(device, test, record, began, None)
    for run, log in zip(runs, test.logs, strict=True):
        run.truth["power_max_w"] = float(record.power(log.source).max())
        run.truth["current_max_a"] = float(record.channels[f"{log.source}.a"].max())
    return runs


def _discharge(
    device: str, port: str, mode: str, watts: float, meter: str, *, interval_s: float, key: str
) -> Callable[[datetime], list[Run]]:
    """A discharge of one port."""
    scenario = Scenario(
        40_000.0,
        dt_s=min(interval_s, 1.0),
        modes={port: mode},
        loads={port: constant(Load("W", watts))},
        ambient=Room(ROOM_C),
        tail_s=20.0,
        stops="empty",
    )
    probes = CASE if METERS[meter].temperature else ()
    log = Log(port, meter, mode, "discharge", "out", f"{watts:g} W", interval_s, port, probes)
    return lambda began: _bank_runs(device, Test(key, scenario, (log,)), began)


def _recharge(device: str, mode: str, watts: float, meter: str, key: str) -> Callable[[datetime], list[Run]]:
    """A recharge at C1 of a bank that was used to a third."""
    source = Source(parse_mode(mode) * 1.005, 0.1, watts)
    scenario = Scenario(20_000.0, source=source, plugged=lambda t: t >= 5.0, tail_s=90.0, stops="full")
    log = Log("C1", meter, mode, "recharge", "in", None, 1.0, "in", CASE)
    return lambda began: _bank_runs(device, Test(key, scenario, (log,), soc=0.35), began)


def _pair(
    device: str, loads: dict[str, tuple[str, float]], meter: str, interval_s: float, key: str
) -> Callable[[datetime], list[Run]]:
    """Two ports at once, by one meter with two inputs, from a bank that is nearly empty."""
    scenario = Scenario(
        20_000.0,
        dt_s=min(interval_s, 1.0),
        modes={port: mode for port, (mode, _) in loads.items()},
        loads={port: constant(Load("W", watts), lead_s=6.0) for port, (_, watts) in loads.items()},
        tail_s=10.0,
        stops="empty",
    )
    logs = tuple(
        Log(port, meter, mode, "discharge", "out", f"{watts:g} W", interval_s, port)
        for port, (mode, watts) in loads.items()
    )
    return lambda began: _bank_runs(device, Test(key, scenario, logs, soc=0.5), began)


def _both_sides(began: datetime) -> list[Run]:
    """An adapter's wall side and port side by one analyser, one clock."""
    adapter, t_s = ADAPTERS["AD-01"], np.arange(0.0, 1500.0)
    levels = np.array([0.325, 0.8125, 1.625, 2.4375, 3.25])
    amps = np.where(t_s < 20.0, 0.0, levels[np.clip(((t_s - 20.0) // 290.0).astype(int), 0, 4)])
    line = stream(run_uid("AD-01", "export-f", "line"))
    record = run_adapter(adapter, 20.0, amps, t_s, ambient_c=ROOM_C, rng=line)
    wall = mains_columns(record.wall, line)
    meter = METERS["M2"]
    port = {"t_s": t_s, "voltage_v": meter.voltage.read(record.port_v, line)}
    port["current_a"] = meter.read_current(amps, line)
    ideal_a = meter.ideal_current(amps)
    watts = meter.voltage.ideal(record.port_v) * ideal_a
    started = {"started_at": began.isoformat()}
    mains = Run("", {"port": "mains", "direction": "in", **started}, wall)
    mains.truth = {
        "energy_by_meter_wh": float(integrate(t_s, record.wall.watts * MAINS_GAIN)[-1]),
        "power_max_w": float(record.wall.watts.max()),
        "current_max_a": float(record.wall.amps.max()),
    }
    side = Run("", {"port": "C1", "direction": "out", **started}, port)
    side.truth = {
        "energy_by_meter_wh": float(integrate(t_s, watts)[-1]),
        "charge_by_meter_ah": float(integrate(t_s, ideal_a)[-1]),
        "power_max_w": float(watts.max()),
        "current_max_a": float(amps.max()),
    }
    return [mains, side]


def _export(
    file: str,
    runs: Callable[[datetime], list[Run]],
    form: Callable[[list[Run], datetime], bytes],
    began: str,
    about: str,
    *arguments: str,
) -> Export:
    def made(start: datetime) -> tuple[list[Run], bytes]:
        logged = runs(start)
        return logged, form(logged, start)

    return Export(file, made, datetime.fromisoformat(began), arguments, about)


def _told(device: str, port: str, mode: str, kind: str, *, load: str, meter: str) -> tuple[str, ...]:
    facts = {"--device": device, "--port": port, "--mode": mode, "--kind": kind, "--load": load, "--meter": meter}
    return tuple(word for option, value in facts.items() if value for word in (option, value))


EXPORTS: tuple[Export, ...] = (
    _export(
        "a-inline-seconds.csv",
        _discharge("PB-05", "C1", "fixed 15 V", 25.0, "M1", interval_s=1.0, key="export-a"),
        forms.inline_seconds,
        "2026-02-23T09:12:00+00:00",
        "comma, decimal point, UTF-8, units in parentheses, elapsed seconds",
        *_told("PB-05", "C1", "fixed 15 V", "discharge", load="25 W", meter="M1"),
    ),
    _export(
        "b-bench-hms.csv",
        _discharge("PB-07", "C1", "fixed 20 V", 30.0, "M2", interval_s=2.0, key="export-b"),
        forms.bench_hms,
        "2026-02-23T13:05:00+00:00",
        "semicolon, decimal comma, UTF-8 with mark, German words, preamble, h:mm:ss elapsed, mA, CRLF",
        *_told("PB-07", "C1", "fixed 20 V", "discharge", load="30 W", meter="M2"),
    ),
    _export(
        "c-charger-log.tsv",
        _recharge("PB-02", "fixed 20 V", 45.0, "M2", "export-c"),
        forms.charger_utf16,
        "2026-02-24T08:30:00+01:00",
        "tab, UTF-16 with mark, quantity/unit in the head, ISO time with offset",
        *_told("PB-02", "C1", "fixed 20 V", "recharge", load="", meter="M2"),
    ),
    _export(
        "d-terrain.csv",
        _discharge("PB-01", "A1", "fixed 9 V", 12.0, "M2", interval_s=2.0, key="export-d"),
        forms.field_cp1252,
        "2026-02-24T14:41:30+00:00",
        "semicolon, decimal comma, Windows-1252, French words, units in a second row, date and time apart, "
        "discharge negative",
        *_told("PB-01", "A1", "fixed 9 V", "discharge", load="12 W", meter="M2"),
    ),
    _export(
        "e-two-ports.csv",
        _pair("PB-08", {"C1": ("fixed 20 V", 45.0), "A1": ("default 5 V", 10.0)}, "M2", 0.5, "export-e"),
        forms.two_ports_ms,
        "2026-02-25T09:00:00+00:00",
        "comma, two ports side by side, mV and mA in the names, milliseconds",
        *_told("PB-08", "", "", "discharge", load="", meter="M2"),
    ),
    _export(
        "f-wall-and-port.txt",
        _both_sides,
        forms.wall_and_port,
        "2026-02-26T09:30:00+00:00",
        "semicolon, decimal point, # comments before the table, Unix seconds, AC and DC side in one row",
        *_told("AD-01", "C1", "fixed 20 V", "efficiency", load="", meter=""),
    ),
    _export(
        "g-numbered.txt",
        _discharge("PB-03", "C2", "fixed 9 V", 25.0, "M2", interval_s=2.0, key="export-g"),
        forms.numbered,
        "2026-02-26T12:20:00+00:00",
        "tab, decimal comma, sample numbers with the interval in the preamble, a total at the bottom",
        *_told("PB-03", "C2", "fixed 9 V", "discharge", load="25 W", meter="M2"),
    ),
    _export(
        "h-night-log.csv",
        _pair("PB-09", {"C1": ("fixed 20 V", 45.0), "C2": ("fixed 9 V", 15.0)}, "M2", 1.0, "export-h"),
        forms.night_quoted,
        "2026-02-26T23:31:00+00:00",
        "all cells quoted, decimal comma inside, units after an underscore, a port column with two ports below one "
        "another, time of day across midnight, date in the preamble",
        *_told("PB-09", "", "", "discharge", load="", meter="M2"),
    ),
)
