"""Tests of adapters and cables: what their meters logged."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np

from .adapter import Adapter, AdapterRecord, Cable, Wall, run_adapter, run_cable
from .measure import Run, run_uid, stream
from .meter import METERS, integrate
from .scenario import Array

__all__ = ["adapter_runs", "cable_runs", "mains_columns"]

SHARES = (0.10, 0.25, 0.50, 0.75, 1.00)
HOLD_S = 420.0
LEAD_S = 30.0
ROOM_C = 22.4
MAINS_GAIN = 1.0006
"""By which factor the mains analyser reads power."""


def _levels(amps: list[float], t_s: Array) -> Array:
    """Current over time: nothing for LEAD_S, then each level for HOLD_S [A]."""
    index = np.floor((t_s - LEAD_S) / HOLD_S).astype(int)
    out = np.zeros_like(t_s)
    inside = (index >= 0) & (index < len(amps))
    out[inside] = np.asarray(amps)[index[inside]]
    return out


def mains_columns(wall: Wall, rng: np.random.Generator) -> dict[str, Array]:
    """What the mains analyser writes for the truth of a wall side."""
    meter = METERS["M3"]
    t_s, watts, samples = wall.t_s, wall.watts, len(wall.t_s)
    shown_w = np.round(MAINS_GAIN * watts + 0.003 * rng.standard_normal(samples) * (1 + 0.02 * watts), 2)
    return {
        "t_s": np.round(t_s - t_s[0], 3),
        "voltage_v": meter.voltage.read(wall.volts, rng),
        "current_a": meter.current.read(wall.amps, rng),
        "power_w": np.maximum(shown_w, 0.0),
        "energy_wh": np.round(integrate(t_s, MAINS_GAIN * watts), 3),
        "frequency_hz": np.round(wall.hertz + 0.004 * rng.standard_normal(samples), 2),
        "power_factor": np.round(wall.power_factor + 0.002 * rng.standard_normal(samples), 3),
    }


def _port_columns(volts: Array, amps: Array, t_s: Array, rng: np.random.Generator, meter: str) -> dict[str, Array]:
    """What a DC meter writes at the port."""
    device = METERS[meter]
    return {
        "t_s": np.round(t_s - t_s[0], 3),
        "voltage_v": device.voltage.read(volts, rng),
        "current_a": device.read_current(amps, rng),
    }


def _facts(
    device: str, port: str, kind: str, direction: str, *, meter: str, began: datetime, **more: Any
) -> dict[str, Any]:
    """Facts of a run of an adapter or a cable."""
    base: dict[str, Any] = {
        "device": device,
        "port": port,
        "mode": None,
        "kind": kind,
        "direction": direction,
        "load_set": None,
        "ambient_c": ROOM_C,
        "started_at": began.isoformat(timespec="milliseconds"),
        "meter": meter,
        "quality": "ok",
        "quality_reason": "",
        "note": "",
        "measured_at": "port",
        "cable_mohm": None,
        "group": None,
    }
    return base | more


def adapter_runs(adapter: Adapter, modes: list[tuple[str, float, float]], began: datetime) -> list[Run]:
    """Efficiency in each mode (name, volts, rated amperes), standby, overload and regulation of an adapter."""
    runs: list[Run] = []
    for number, (mode, volts, rated_a) in enumerate(modes):
        start = began + timedelta(minutes=75 * number)
        runs += _efficiency(adapter, mode, volts, rated_a, start, repeat=number)
    later = began + timedelta(minutes=75 * len(modes))
    runs.append(_standby(adapter, later))
    for number, (mode, volts, rated_a) in enumerate(modes):
        when = later + timedelta(minutes=70 + 15 * number)
        runs.append(_overload(adapter, mode, volts, rated_a, when))
        runs.append(_sweep(adapter, mode, volts, rated_a, when + timedelta(minutes=6)))
    heat_mode = modes[-1]
    runs += _heat(adapter, *heat_mode, began=began + timedelta(days=1))
    return runs


def _uid_run(adapter: str, key: str, part: str, columns: dict[str, Array], facts: dict[str, Any]) -> Run:
    return Run(run_uid(adapter, key, part), facts, columns, {}, f"{adapter}/{key}/{part}")


def _both_sides(
    adapter: Adapter, key: str, record: AdapterRecord, began: datetime, *, kind: str, mode: str, load: str
) -> list[Run]:
    """The two logs of one adapter test: mains and port, a few seconds apart."""
    shift = 7
    wall_rng = stream(run_uid(adapter.name, key, "mains"))
    port_rng = stream(run_uid(adapter.name, key, "port"))
    wall = mains_columns(record.wall, wall_rng)
    port = _port_columns(record.port_v[shift:], record.port_a[shift:], record.t_s[shift:], port_rng, "M2")
    probe = METERS["M2"].temperature
    if probe is not None:
        port["temperature_c"] = probe.read(record.case_c[shift:], port_rng)
    group = f"{adapter.name}/{key}"
    common = {"mode": mode, "load_set": load, "group": group}
    wall_facts = _facts(adapter.name, "mains", kind, "in", meter="M3", began=began, **common)
    port_began = began + timedelta(seconds=shift)
    port_facts = _facts(adapter.name, "C1", kind, "out", meter="M2", began=port_began, **common)
    runs = [
        _uid_run(adapter.name, key, "mains", wall, wall_facts),
        _uid_run(adapter.name, key, "port", port, port_facts),
    ]
    runs[0].truth["energy_wh"] = float(integrate(record.t_s, record.wall.watts)[-1])
    watts = record.port_v * record.port_a
    runs[1].truth["energy_wh"] = float(integrate(record.t_s[shift:], watts[shift:])[-1])
    runs[1].truth["charge_ah"] = float(integrate(record.t_s[shift:], record.port_a[shift:])[-1])
    return runs


def _efficiency(
    adapter: Adapter, mode: str, volts: float, rated_a: float, began: datetime, *, repeat: int
) -> list[Run]:
    """Five load points, held seven minutes each, wall and port logged together."""
    t_s = np.arange(0.0, LEAD_S + HOLD_S * len(SHARES) + 20.0)
    amps = _levels([round(share * rated_a, 4) for share in SHARES], t_s)
    key = f"efficiency-{repeat}"
    record = run_adapter(adapter, volts, amps, t_s, ambient_c=ROOM_C, rng=stream(run_uid(adapter.name, key, "line")))
    load = f"10, 25, 50, 75, 100 % of {rated_a:g} A"
    runs = _both_sides(adapter, key, record, began, kind="efficiency", mode=mode, load=load)
    points = {}
    for share in SHARES:
        level = np.array([share * rated_a])
        at_port = adapter.port(volts, level)
        points[f"efficiency_{round(share * 100)}"] = float(at_port[0] * level[0] / adapter.wall(at_port, level)[0])
    runs[1].truth |= points
    four = [points[f"efficiency_{share}"] for share in (25, 50, 75, 100)]
    runs[1].truth["efficiency_average"] = float(np.mean(four))
    return runs


def _standby(adapter: Adapter, began: datetime) -> Run:
    """Half an hour at the wall with nothing plugged in."""
    key, t_s = "standby", np.arange(0.0, 1800.0)
    none = np.zeros_like(t_s)
    record = run_adapter(adapter, 5.0, none, t_s, ambient_c=ROOM_C, rng=stream(run_uid(adapter.name, key, "line")))
    columns = mains_columns(record.wall, stream(run_uid(adapter.name, key, "mains")))
    facts = _facts(adapter.name, "mains", "standby", "in", meter="M3", began=began, load_set="no load")
    run = _uid_run(adapter.name, key, "mains", columns, facts)
    run.truth["no_load_w"] = float(record.wall.watts.mean())
    run.truth["energy_wh"] = float(integrate(t_s, record.wall.watts)[-1])
    return run


def _overload(adapter: Adapter, mode: str, volts: float, rated_a: float, began: datetime) -> Run:
    """A rising current until the adapter gives up, and its return."""
    key, t_s = f"overload-{volts:g}", np.arange(0.0, 75.0, 0.1)
    wanted = np.where(t_s < 4.0, 0.0, 0.85 * rated_a + 0.01 * rated_a * np.maximum(t_s - 14.0, 0.0))
    trip_a = rated_a * (1.10 + 0.03 * (adapter.rated_w % 7) / 7.0)
    trip_at = float(t_s[np.argmax(wanted > trip_a)])
    is_off = (t_s >= trip_at) & (t_s < trip_at + 9.0)
    level = np.where(is_off, volts * np.exp(-np.maximum(t_s - trip_at, 0.0) / 0.2), volts)
    back = t_s >= trip_at + 9.0
    amps = np.where(is_off | back, 0.0, wanted)
    set_v = np.where(back, 5.0, level)
    port = set_v * (1.0 + adapter.set_error * (set_v > 1.0)) - adapter.droop_ohm * amps
    columns = _port_columns(port, amps, t_s, stream(run_uid(adapter.name, key, "port")), "M2")
    load = f"{0.85 * rated_a:.3g} A rising"
    facts = _facts(adapter.name, "C1", "overload", "out", meter="M2", began=began, mode=mode, load_set=load)
    run = _uid_run(adapter.name, key, "port", columns, facts)
    run.truth |= {"trip_current_a": float(amps.max()), "energy_wh": float(integrate(t_s, port * amps)[-1])}
    return run


def _sweep(adapter: Adapter, mode: str, volts: float, rated_a: float, began: datetime) -> Run:
    """A load sweep at the port."""
    key, t_s = f"sweep-{volts:g}", np.arange(0.0, 230.0, 0.5)
    shares = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 0.3])
    index = np.clip(np.floor((t_s - 5.0) / 18.0).astype(int), 0, len(shares) - 1)
    amps = shares[index] * rated_a
    columns = _port_columns(adapter.port(volts, amps), amps, t_s, stream(run_uid(adapter.name, key, "port")), "M2")
    facts = _facts(
        adapter.name, "C1", "regulation", "out", meter="M2", began=began, mode=mode, load_set=f"0 to {rated_a:g} A"
    )
    run = _uid_run(adapter.name, key, "port", columns, facts)
    run.truth["energy_wh"] = float(integrate(t_s, adapter.port(volts, amps) * amps)[-1])
    return run


def _heat(adapter: Adapter, mode: str, volts: float, rated_a: float, *, began: datetime) -> list[Run]:
    """Rated current for an hour and a half, case temperature logged at the port's meter."""
    t_s = np.arange(0.0, 5400.0)
    amps = np.where(t_s < 30.0, 0.0, rated_a)
    key = "heat"
    record = run_adapter(adapter, volts, amps, t_s, ambient_c=ROOM_C, rng=stream(run_uid(adapter.name, key, "line")))
    runs = _both_sides(adapter, key, record, began, kind="heat", mode=mode, load=f"{rated_a:g} A")
    runs[1].truth["max_temperature_c"] = float(record.case_c.max())
    return runs


def cable_runs(cable: Cable, began: datetime) -> list[Run]:
    """Steps of current through a cable, both ends logged: at 5 V and at 20 V."""
    runs = []
    for number, supply in enumerate((5.0, 20.0)):
        key, t_s = f"steps-{supply:g}", np.arange(0.0, 640.0, 0.5)
        levels = [share * cable.rated_a for share in (0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 1.0)]
        index = np.floor((t_s - 10.0) / 88.0).astype(int)
        amps = np.where(index >= 0, np.asarray(levels)[np.clip(index, 0, len(levels) - 1)], 0.0)
        record = run_cable(cable, supply, amps, t_s, ambient_c=ROOM_C)
        rng = stream(run_uid(cable.name, key, "0"))
        columns = _port_columns(record.near_v, amps, t_s, rng, "M2")
        columns["voltage_far_v"] = METERS["M2"].voltage.read(record.far_v, rng)
        facts = _facts(
            cable.name,
            "near end",
            "cable",
            "out",
            meter="M2",
            began=began + timedelta(minutes=15 * number),
            mode=f"fixed {supply:g} V",
            load_set=f"0 to {cable.rated_a:g} A",
        )
        run = Run(run_uid(cable.name, key, "0"), facts, columns, {}, f"{cable.name}/{key}/0")
        run.truth["resistance_mohm"] = 1000.0 * float(np.polyfit(amps, record.near_v - record.far_v, 1)[0])
        run.truth["energy_wh"] = float(integrate(t_s, record.near_v * amps)[-1])
        runs.append(run)
    return runs
