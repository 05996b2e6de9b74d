"""Runs and libraries made to order, for every test that needs one. All data is invented."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from importers.schema import (
    CHANNEL_NAMES,
    ClockReading,
    Conversion,
    Facts,
    ImportedExport,
    ImportedRun,
    ImportSink,
    LineAccount,
    RunStart,
    TraceEvent,
)
from store import Library
from store.model.records import IngestOutcome

ONE_CLAIM = """
device = "{device}"
kind = "power bank"
[rated]
energy_wh = 10
[[port]]
name = "C1"
direction = "both"
offers = ["fixed 20 V 3 A"]
[[port]]
name = "C2"
direction = "both"
offers = ["fixed 9 V 2 A"]
[[port]]
name = "A1"
direction = "out"
offers = ["fixed 5 V 3 A"]
[[claim]]
quantity = "energy_out_wh"
bound = "at least"
value = 1
unit = "Wh"
printed_on = "case"
"""
"""A sheet with three ports and one claim; `.format(device=...)`."""

STARTED = datetime(2026, 2, 11, 9, 30, tzinfo=UTC)


def make_run(
    samples: int = 600,
    *,
    step_s: float = 1.0,
    volts: float = 20.0,
    amps: float = 1.5,
    seed: int = 0,
    noise: float = 0.01,
) -> pl.DataFrame:
    """A discharge-like run from an idle sample to the cut-off: `t_s`, voltage, current, power and a warming case."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(samples, dtype=np.float64) * step_s
    is_over = np.arange(samples) >= samples * 0.95
    voltage = np.where(is_over, 0.0, volts) + noise * rng.standard_normal(samples)
    current = np.where(is_over | (np.arange(samples) == 0), 0.0, amps) + noise * rng.standard_normal(samples) * 0.1
    case = 22 + 20 * (1 - np.exp(-t_s / 900)) + 0.05 * rng.standard_normal(samples)
    return pl.DataFrame(
        {"t_s": t_s, "voltage_v": voltage, "current_a": current, "power_w": voltage * current, "temperature_c": case}
    )


def full_columns(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with every channel, NULL where it has none, as an importer hands it over."""
    missing = [pl.lit(None, dtype=pl.Float64).alias(name) for name in CHANNEL_NAMES if name not in frame.columns]
    return frame.with_columns(missing).select("t_s", *CHANNEL_NAMES)


def feed(
    sink: ImportSink,
    file: str,
    parts: Mapping[str | None, pl.DataFrame],
    *,
    started_at: datetime | None = STARTED,
    events: Sequence[TraceEvent] = (),
    chunk: int = 50_000,
    stated: Facts | None = None,
    warnings: tuple[str, ...] = (),
) -> ImportedExport:
    """Do an importer's part: push runs (by port) to a sink, and give the account of the file."""
    runs = []
    for number, (port, frame) in enumerate(parts.items(), 1):
        channels = tuple(name for name in frame.columns if name != "t_s")
        start = RunStart(port or str(number), port, channels, None, stated or Facts())
        run_sink = sink.open_run(start)
        whole = full_columns(frame)
        for offset in range(0, whole.height, chunk):
            run_sink.write(whole.slice(offset, chunk))
        conversions = tuple(Conversion(name.upper(), name, "", 1.0) for name in channels)
        clock = ClockReading("elapsed", ("T",), "s")
        runs.append(ImportedRun(start, whole.height, started_at, clock, conversions, False, tuple(events), warnings))
    lines = sum(run.samples for run in runs) + 1
    account = LineAccount(lines=lines, samples=lines - 1, header=1)
    return ImportedExport(file, tuple(runs), account, (), "invented", 'name = "invented"\n')


def write_export(folder: Path, name: str, text: str = "") -> Path:
    """A small file with bytes of its own."""
    path = folder / name
    path.write_bytes((text or f"an invented export called {name}\n").encode())
    return path


def add_run(
    library: Library,
    export: Path,
    frame: pl.DataFrame | None = None,
    *,
    facts: Facts | None = None,
    parts: Mapping[str | None, pl.DataFrame] | None = None,
    started_at: datetime | None = STARTED,
    events: Sequence[TraceEvent] = (),
) -> IngestOutcome:
    """Import one file's runs into a library."""
    stated = facts or Facts(device="PB-01", port="C1", mode="fixed 20 V", kind="discharge", load="30 W", ambient_c=22.0)
    with library.imports.begin(export, stated) as job:
        if job.already_outcome is not None:
            return job.already_outcome
        runs = parts or {None: frame if frame is not None else make_run()}
        return job.commit(feed(job, export.name, runs, started_at=started_at, events=events))


def make_store(tmp_path: Path, runs: int = 3, *, samples: int = 600) -> Library:
    """A library `store` under `tmp_path` with some discharges of PB-01 to PB-03 over three ports and modes."""
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    exports = tmp_path / "exports"
    exports.mkdir(exist_ok=True)
    with library.imports.batch() as batch:  # a transaction each would take five times as long
        for number in range(runs):
            facts = Facts(
                device=f"PB-{number % 3 + 1:02d}",
                port=("C1", "C2", "A1")[number % 3],
                mode=("fixed 20 V", "fixed 9 V", "default 5 V")[number % 3],
                kind="discharge",
                load=("30 W", "18 W", "10 W")[number % 3],
                ambient_c=22.0,
                meter="M1",
            )
            export = write_export(exports, f"log{number:04d}.csv")
            frame = make_run(samples, volts=(20.0, 9.0, 5.0)[number % 3], seed=number)
            with batch.begin_import(export, facts) as job:
                batch.commit(job, feed(job, export.name, {None: frame}, started_at=STARTED + timedelta(days=number)))
    return library


__all__ = ["ONE_CLAIM", "STARTED", "add_run", "feed", "full_columns", "make_run", "make_store", "write_export"]
