"""From a planned test to runs: what each meter wrote down, with the facts and the model's own figures."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from .meter import METERS, BenchMeter, integrate
from .plan import Display, Log, Test
from .scenario import Array, Record
from .truths import true_figures

__all__ = ["SEED", "Run", "facts_of", "measure", "run_uid", "stream"]

SEED = 20260112


@dataclass
class Run:
    """One run as a meter logged it."""

    uid: str
    facts: dict[str, Any]
    """The facts of the run, without run_id."""
    columns: dict[str, Array]
    """`t_s` and channels; NaN where the meter gave none."""
    truth: dict[str, float] = field(default_factory=dict)
    """What the model knows of it."""
    key: str = ""


def run_uid(device: str, key: str, part: str) -> str:
    """A run's uid: 32 hex digits that depend on the seed and its place in the plan alone."""
    return hashlib.sha256(f"{SEED}/{device}/{key}/{part}".encode()).hexdigest()[:32]


def stream(uid: str) -> np.random.Generator:
    """The random stream of one run."""
    return np.random.default_rng([SEED, int(uid[:12], 16)])


def measure(device: str, test: Test, record: Record, began: datetime, group: str | None) -> list[Run]:
    """All logs of one test, each through its meter."""
    runs = []
    for number, log in enumerate(test.logs):
        owner = log.device or device
        uid = run_uid(device, test.key, str(number))
        run = _log(uid, log, record, stream(uid))
        run.facts |= facts_of(owner, log, test, began)
        run.facts["group"] = group if test.is_grouped else None
        run.key = f"{device}/{test.key}/{number}"
        runs.append(run)
    return runs


def facts_of(device: str, log: Log, test: Test, began: datetime) -> dict[str, Any]:
    """The facts of a run, as the footer holds them."""
    started = (began + timedelta(seconds=log.starts_at_s)).astimezone(UTC)
    return {
        "device": device,
        "port": log.port,
        "mode": log.mode,
        "kind": log.kind,
        "direction": log.direction,
        "load_set": log.load_set,
        "ambient_c": round(test.scenario.ambient.level_c, 1),
        "started_at": started.isoformat(timespec="milliseconds"),
        "meter": log.meter,
        "quality": log.quality,
        "quality_reason": log.quality_reason,
        "note": log.note,
        "measured_at": log.measured_at if log.source else None,
        "cable_mohm": log.cable_mohm,
    }


def _log(uid: str, log: Log, record: Record, rng: np.random.Generator) -> Run:
    """What the meter wrote, and what an ideal one would have."""
    meter = METERS[log.meter]
    picked = _pick(log, record, rng)
    t_s = record.t_s[picked]
    run = Run(uid, {}, {"t_s": np.round(t_s - t_s[0], 3)})
    columns, truth = run.columns, run.truth
    if log.source:
        _electric(log, meter, record, picked, run=run, rng=rng)
    for probe in log.probes:
        channel, source = probe.split("=")
        columns[channel] = _probe(meter, record.channels[source][picked], rng)
        truth[f"max_{channel}"] = float(record.channels[source][picked].max())
    if log.display:
        columns |= _read_display(log.display, log.source, record, picked, rng)
    _blank(log, columns, rng)
    return run


def _pick(log: Log, record: Record, rng: np.random.Generator) -> np.ndarray:
    """Which steps of the record this log holds: its interval, its start, a gap."""
    step = float(record.t_s[1] - record.t_s[0])
    stride = max(round(log.interval_s / step), 1)
    first = round(log.starts_at_s / step)
    index = np.arange(first, len(record.t_s), stride)
    t_s = record.t_s[index]
    keep = t_s <= log.stops_at_s
    if log.gap:
        keep &= (t_s < log.gap[0]) | (t_s > log.gap[1])
    if log.missing < 0.0:  # a negative share drops whole samples, as a flaky link does
        keep &= (rng.random(len(index)) > -log.missing) | (np.arange(len(index)) == 0)
    return index[keep]


def _electric(
    log: Log,
    meter: BenchMeter,
    record: Record,
    picked: np.ndarray,
    *,
    run: Run,
    rng: np.random.Generator,
) -> None:
    """Voltage, current, power and counters of one port, and the truth about them."""
    columns, truth = run.columns, run.truth
    volts, amps = record.channels[f"{log.source}.v"], record.channels[f"{log.source}.a"]
    if log.cable_mohm:
        volts = volts - amps * log.cable_mohm / 1000.0
    shown_v, shown_a = meter.voltage.read(volts[picked], rng), meter.read_current(amps[picked], rng)
    columns["voltage_v"], columns["current_a"] = shown_v, shown_a
    if meter.power_decimals is not None:
        columns["power_w"] = np.round(shown_v * shown_a, meter.power_decimals)
    ideal_v, ideal_a = meter.voltage.ideal(volts), meter.ideal_current(amps)
    if meter.counter_decimals is not None:
        for channel, rate in (("charge_ah", ideal_a), ("energy_wh", ideal_v * ideal_a)):
            total = integrate(record.t_s, rate) * meter.counter_gain
            columns[channel] = np.round((total - total[picked[0]])[picked], meter.counter_decimals)
    span = slice(picked[0], picked[-1] + 1)
    t_s = record.t_s[span]
    truth["energy_wh"] = float(integrate(t_s, (volts * amps)[span])[-1])
    truth["charge_ah"] = float(integrate(t_s, amps[span])[-1])
    truth["energy_by_meter_wh"] = float(integrate(t_s, (ideal_v * ideal_a)[span])[-1])
    truth["charge_by_meter_ah"] = float(integrate(t_s, ideal_a[span])[-1])
    truth |= true_figures(log, record, span)


def _probe(meter: BenchMeter, truth: Array, rng: np.random.Generator) -> Array:
    """A temperature as the meter shows it [°C]."""
    if meter.temperature is None:
        message = f"meter {meter.name} has no probe"
        raise ValueError(message)
    return meter.temperature.read(truth, rng)


def _read_display(
    display: Display, source: str, record: Record, picked: np.ndarray, rng: np.random.Generator
) -> dict[str, Array]:
    """Readings of the device's own display, once in a while; NaN between."""
    t_s = record.t_s[picked]
    is_read = np.zeros(len(t_s), dtype=bool)
    is_read[:: max(round(display.every_s / (t_s[1] - t_s[0])), 1)] = True
    volts, amps = record.channels[f"{source}.v"][picked], record.channels[f"{source}.a"][picked]
    true_share, shown_share = zip(*display.steps, strict=True)
    soc = record.channels["soc"][picked]
    percent = np.round(100.0 * np.interp(soc, true_share, shown_share))
    noise = rng.standard_normal(len(t_s))
    values = {
        "display_voltage_v": np.round(volts + display.volts_bias + 0.01 * noise, 1),
        "display_current_a": np.round(amps * display.watts_factor, 2),
        "display_power_w": np.round(volts * amps * display.watts_factor + 0.1 * noise, 0),
        "display_percent": percent,
    }
    is_on = volts > 2.0
    return {name: np.where(is_read & is_on, value, np.nan) for name, value in values.items()}


def _blank(log: Log, columns: dict[str, Array], rng: np.random.Generator) -> None:
    """Leave single cells empty, as a meter does that missed a reading."""
    if log.missing <= 0.0:
        return
    for name, values in list(columns.items()):
        if name != "t_s":
            columns[name] = np.where(rng.random(len(values)) < log.missing, np.nan, values)
