"""What a log's name and trace say about its facts, each with the reason: proposed to the tester, never taken unasked.

Arithmetic on arrays and words; knows sheets, opens nothing but the file it is asked about. All limits are chosen by us.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

import importers
from importers import Inspection
from importers.schema import KINDS, Facts, ImportedRun, RunStart
from store.catalogue.connection import rows
from store.imports.grown import hash_with_beginnings
from store.imports.known_runs import known_runs
from store.judge.contradictions import contradictions
from store.model.results import Array, Mask
from store.model.sheet import DeviceSheet
from store.runs.fact_values import tidy_mode

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["Guess", "LogLook", "contradicted_facts", "guesses_from_name", "guesses_from_trace", "look_at_log"]

FIXED_V = (5.0, 9.0, 12.0, 15.0, 20.0, 28.0, 36.0, 48.0)
"""Fixed voltages of USB Power Delivery, standard and extended power range."""
NEAR_V = 0.08
"""Share by which a loaded port may lie off its mode's voltage."""
STANDBY_W = 0.2
"""Power under which nothing was drawn."""
MAINS_V = 80.0
"""Voltage from which on a log is of the mains side."""
STEADY = 0.08
"""Share by which a steady load's samples scatter at most."""
_LOADED = frozenset({"discharge", "heat", "pass-through", "display"})
"""Kinds of test that have one set load."""
_MOST_ROWS = 20_000
"""Rows of a run that are looked at; of a longer one every n-th."""


@dataclass(frozen=True, slots=True)
class Guess:
    """A fact that a log suggests."""

    value: str
    reason: str


@dataclass(frozen=True, slots=True)
class LogLook:
    """What is seen of a file before it is imported."""

    guesses: Mapping[str, Guess] = field(default_factory=dict)
    """By the fact: device, port, mode, kind, load."""
    stated: Facts = field(default_factory=Facts)
    """What the file itself says."""
    started: str = ""
    """When it began, UTC to the minute; empty where it has no date."""
    samples: int = 0
    runs: int = 0
    voltage_mean_v: float | None = None
    """Of the loaded part, for `contradicted_facts`."""
    grown_from: tuple[int, ...] = ()
    """Runs that begin with the same bytes, whose place it would take."""


class _Rows:
    """Takes a run's samples, thinned as they come."""

    def __init__(self, start: RunStart) -> None:
        self.start = start
        self.frames: list[pl.DataFrame] = []
        self._step = 1
        self._kept = 0

    def write(self, samples: pl.DataFrame) -> None:
        """Take the next samples."""
        frame = samples.select("t_s", *self.start.channels)
        self.frames.append(frame.gather_every(self._step))
        self._kept += self.frames[-1].height
        if self._kept > 2 * _MOST_ROWS:
            whole = pl.concat(self.frames).gather_every(2)
            self.frames, self._kept, self._step = [whole], whole.height, 2 * self._step

    @property
    def values(self) -> dict[str, Array]:
        """`t_s` and the channels, NULL as NaN."""
        whole = pl.concat(self.frames) if self.frames else pl.DataFrame()
        return {name: whole[name].cast(pl.Float64).to_numpy() for name in whole.columns}


class _Sink:
    def __init__(self) -> None:
        self.runs: list[_Rows] = []

    def open_run(self, start: RunStart) -> _Rows:
        """Begin a run."""
        self.runs.append(_Rows(start))
        return self.runs[-1]


def look_at_log(library: Store, path: Path, inspection: Inspection, sheets: Mapping[str, DeviceSheet]) -> LogLook:
    """Read a file that is sure and say what it suggests; stores nothing.

    Args:
        library: The library, for logs of which this is a longer version.
        path: The file.
        inspection: What was found in it.
        sheets: Devices by their code.

    Raises:
        ImportRefused: It can't be read.
        OSError: The disk refused.
    """
    sink = _Sink()
    export = importers.read(path, inspection, sink, facts=Facts(), zone=library.zone)
    named = guesses_from_name(path.name, sheets)
    first = sink.runs[0] if sink.runs else None
    seen = guesses_from_trace(first.values, first.start.direction) if first and len(sink.runs) == 1 else {}
    guesses = {**seen, **named}
    if "load" in guesses and (kind := guesses.get("kind")) is not None and kind.value not in _LOADED:
        del guesses["load"]
    start: ImportedRun | None = export.runs[0] if export.runs else None
    return LogLook(
        guesses=guesses,
        stated=start.start.stated if start else Facts(),
        started=f"{start.started_at:%Y-%m-%d %H:%M}" if start and start.started_at else "",
        samples=sum(run.samples for run in export.runs),
        runs=len(export.runs),
        voltage_mean_v=_loaded_voltage(first.values) if first and len(sink.runs) == 1 else None,
        grown_from=_grown_from(library, path),
    )


def _grown_from(library: Store, path: Path) -> tuple[int, ...]:
    known = known_runs(library)
    _, found = hash_with_beginnings(path, known.sizes[known.sizes < path.stat().st_size])
    hashes = [sha256 for size, sha256 in found.items() if sha256 in known.hashes[size]]
    if not hashes:
        return ()
    with library.catalogue.reader() as cursor:
        sql = "SELECT run_id FROM catalogue.run WHERE source_sha256 IN (SELECT unnest(?::VARCHAR[])) ORDER BY run_id"
        return tuple(int(row[0]) for row in rows(cursor, sql, [hashes]))


def guesses_from_name(name: str, sheets: Mapping[str, DeviceSheet]) -> dict[str, Guess]:
    """Facts that a file's name spells: a device's code, a port of it, a load, a mode, a kind of test.

    Args:
        name: The file's name.
        sheets: Devices by their code.
    """
    stem = Path(name).stem
    words = [word.casefold() for word in re.split(r"[^0-9A-Za-zÀ-ÿ.,]+", stem) if word]
    plain = re.sub(r"[^0-9a-zà-ÿ]", "", stem.casefold())
    found: dict[str, Guess] = {}
    why = "the file's name"
    codes = [code for code in sheets if re.sub(r"[^0-9a-zà-ÿ]", "", code.casefold()) in plain]
    if codes:
        device = max(codes, key=len)
        found["device"] = Guess(device, why)
        ports = [port.name for port in sheets[device].ports if port.name.casefold() in words]
        if len(ports) == 1:
            found["port"] = Guess(ports[0], why)
    kinds = [kind for kind in KINDS if re.sub("-", "", kind) in plain]
    if len(kinds) == 1:
        found["kind"] = Guess(kinds[0], why)
    for fact, pattern, unit in (("load", r"(\d+(?:[.,]\d+)?)(w|a)", ""), ("mode", r"(\d+)v", " V")):
        told = [match for word in words if (match := re.fullmatch(pattern, word))]
        if len(told) == 1:
            number = told[0][1].replace(",", ".")
            text = f"{number} {told[0][2].upper()}" if fact == "load" else tidy_mode(number + unit) or ""
            found[fact] = Guess(text, why)
    return found


def guesses_from_trace(values: Mapping[str, Array], direction: str | None) -> dict[str, Guess]:
    """Kind, mode, load and place that a run's samples suggest.

    Args:
        values: `t_s` and the channels, NULL as NaN.
        direction: `out`, `in` or None, as the file tells.
    """
    if "display_percent" in values or "display_voltage_v" in values:
        return {"kind": Guess("display", "it holds readings of a display")}
    if "voltage_far_v" in values:
        return {"kind": Guess("cable", "voltage at both ends of a cable")}
    flow = _flow(values)
    if flow is None or len(flow) < 4 or not np.isfinite(flow).any():
        return {}
    volts, amps = values.get("voltage_v"), values.get("current_a")
    top = float(np.nanpercentile(flow, 95))
    if volts is not None and np.isfinite(volts).any() and np.nanmedian(volts) > MAINS_V:
        return {
            "port": Guess("mains", f"{np.nanmedian(volts):.0f} V"),
            "kind": Guess("efficiency", "the mains side of an adapter"),
        }
    if top < STANDBY_W:
        return {"kind": Guess("standby", f"never over {STANDBY_W:g} W")}
    loaded = flow >= 0.1 * top
    found: dict[str, Guess] = {}
    mean_v = _loaded_voltage(values)
    if mean_v is not None and (mode := _mode(mean_v)):
        found["mode"] = Guess(mode, f"{mean_v:.2f} V under load")
    kind = _kind(flow, loaded, amps, direction)
    if kind is not None:
        found["kind"] = kind
        if kind.value == "discharge" and (load := _load(flow[loaded], amps[loaded] if amps is not None else None)):
            found["load"] = load
    return found


def _flow(values: Mapping[str, Array]) -> Array | None:
    if "power_w" in values:
        return np.abs(values["power_w"])
    if "voltage_v" in values and "current_a" in values:
        return np.abs(values["voltage_v"] * values["current_a"])
    return None


def _loaded_voltage(values: Mapping[str, Array]) -> float | None:
    """Median voltage while power flows [V]."""
    flow, volts = _flow(values), values.get("voltage_v")
    if flow is None or volts is None or not np.isfinite(flow).any():
        return None
    loaded = volts[(flow >= 0.1 * float(np.nanpercentile(flow, 95))) & np.isfinite(volts)]
    return float(np.median(loaded)) if len(loaded) else None


def _mode(mean_v: float) -> str | None:
    nearest = min(FIXED_V, key=lambda v: abs(v - mean_v))
    return tidy_mode(f"{nearest:g} V") if abs(nearest - mean_v) <= NEAR_V * nearest else None


def _kind(flow: Array, loaded: Mask, amps: Array | None, direction: str | None) -> Guess | None:
    """A flow that tapers off is a recharge, a steady one a discharge, steps are a sweep."""
    level = np.abs(amps if amps is not None else flow)[loaded]
    level = level[np.isfinite(level)]
    if len(level) < 4:
        return None
    middle = float(np.median(level))
    if direction == "in":
        return Guess("recharge", "energy flows into the port")
    steps = _count_levels(level)
    if steps >= 4:
        is_falling = level[0] > 4 * level[-1] and float(np.max(level)) < 0.6
        return Guess("light-load" if is_falling else "regulation", f"{steps} levels of load")
    late = level[-max(len(level) // 3, 2) :]
    if direction is None and late[-1] < 0.5 * middle and float(np.mean(late < 0.9 * middle)) > 0.1:
        return Guess("recharge", "the current tapers off")
    if float(np.mean(np.abs(level - middle) <= STEADY * middle)) >= 0.8:
        return Guess("discharge", "a steady load")
    return None


def _count_levels(level: Array) -> int:
    """Levels that are held for ten samples or more, told by steps over a thirtieth of the largest."""
    step = max(float(np.max(level)) / 30, 1e-3)
    borders = np.flatnonzero(np.abs(np.diff(level)) > step) + 1
    return sum(len(part) >= 10 for part in np.split(level, borders))


def _load(power: Array, current: Array | None) -> Guess | None:
    """The quantity that stands stiller, rounded as one sets a load."""
    watts = power[np.isfinite(power)]
    amps = np.abs(current[np.isfinite(current)]) if current is not None else np.empty(0)
    if not len(watts):
        return None
    spread_w = _spread(watts)
    if len(amps) and _spread(amps) < 0.5 * spread_w:
        value = round(float(np.median(amps)) * 20) / 20
        return Guess(f"{value:g} A", f"current steady at {np.median(amps):.3g} A") if value else None
    value = round(float(np.median(watts)) * 2) / 2
    return Guess(f"{value:g} W", f"power steady at {np.median(watts):.3g} W") if value else None


def _spread(values: Array) -> float:
    """Half the range of the middle 90 % as a share of the median."""
    low, middle, high = np.percentile(values, (5, 50, 95))
    return float((high - low) / 2 / middle) if middle else 0.0


def contradicted_facts(look: LogLook, facts: Mapping[str, str], sheets: Mapping[str, DeviceSheet]) -> dict[str, str]:
    """Facts that the trace or the sheet contradicts, each with the reason.

    Args:
        look: What was seen of the file.
        facts: device, port, mode, kind and load as they would be stored.
        sheets: Devices by their code.
    """
    found = {}
    mode, kind = facts.get("mode"), facts.get("kind")
    sheet = sheets.get(facts.get("device") or "")

    def told(**stated: str | None) -> tuple[str, ...]:
        ports: Sequence[str] = tuple(port.name for port in sheet.ports) if sheet else ()
        full = {"port": None, "mode": None, **stated}
        return contradictions("RUN", kind=kind, value=lambda _: look.voltage_mean_v, ports=ports, **full)

    if mode and told(mode=mode) and look.voltage_mean_v is not None:
        found["mode"] = f"the trace shows {look.voltage_mean_v:.3g} V"
    if facts.get("port") and told(port=facts["port"]) and sheet:
        found["port"] = f"{sheet.device} has {', '.join(port.name for port in sheet.ports)}"
    return found
