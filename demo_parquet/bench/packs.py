"""Runs as Parquet packs: the trace format of the library, many runs to a file, each run's facts in the footer."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa

from importers.schema import CHANNEL_NAMES
from store.traces import TraceWriter, to_table
from store.version import __version__

from .measure import Run

__all__ = ["PACK_ROWS", "number_runs", "write_packs"]

PACK_ROWS = 400_000
"""A pack is closed once it holds this many samples."""

PREPARED_AT = "2026-03-02T09:00:00+00:00"
"""When the demo's runs count as imported; fixed, so that the same seed gives the same bytes."""


def number_runs(runs: list[Run]) -> list[Run]:
    """Runs in order of time, run_id from 1, groups as numbers from 1."""
    ordered = sorted(runs, key=lambda run: (run.facts["started_at"], run.uid))
    groups: dict[str, int] = {}
    for number, run in enumerate(ordered, 1):
        run.facts["run_id"] = number
        name = run.facts.pop("group")
        run.facts["group_id"] = groups.setdefault(name, len(groups) + 1) if name else None
    return ordered


def write_packs(runs: list[Run], folder: Path) -> list[Path]:
    """Write numbered runs to packs `season-1.parquet` and on; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.parquet"):
        old.unlink()
    paths: list[Path] = []
    batch: list[Run] = []
    rows = 0
    for run in runs:
        batch.append(run)
        rows += len(run.columns["t_s"])
        if rows >= PACK_ROWS:
            paths.append(_write(batch, folder / f"season-{len(paths) + 1}.parquet"))
            batch, rows = [], 0
    if batch:
        paths.append(_write(batch, folder / f"season-{len(paths) + 1}.parquet"))
    return paths


def _write(runs: list[Run], path: Path) -> Path:
    writer = TraceWriter(path)
    entries = []
    for run in runs:
        frame = pl.DataFrame({name: run.columns[name] for name in run.columns}).with_columns(pl.all().fill_nan(None))
        table: pa.Table = to_table(run.facts["run_id"], frame)
        entries.append(_entry(run, frame, writer.samples))
        writer.write(table, whole=True)
    writer.finish(entries)
    return path


def _entry(run: Run, frame: pl.DataFrame, first_row: int) -> dict[str, Any]:
    """The footer's entry of one run: facts, provenance, rows."""
    channels = [name for name in CHANNEL_NAMES if name in frame.columns]
    digest = hashlib.sha256()
    for name in ("t_s", *channels):
        digest.update(np.ascontiguousarray(run.columns[name]).tobytes())
    return {
        **run.facts,
        "uid": run.uid,
        "source_file": f"demo model, {run.key}",
        "source_sha256": "",
        "source_bytes": 0,
        "part": "1",
        "imported_at": PREPARED_AT,
        "imported_by": "demo",
        "program_version": __version__,
        "profile": "",
        "profile_text": "",
        "conversions": [],
        "clock": {"source": "elapsed", "columns": [], "unit": "s", "zone": None, "note": ""},
        "sign_turned": False,
        "account": None,
        "warnings": [],
        "channels": channels,
        "content_sha256": digest.hexdigest(),
        "first_row": first_row,
        "rows": frame.height,
    }
