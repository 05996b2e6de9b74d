"""Runs as Parquet packs: the trace format of the library, many runs to a file, each run's facts in the footer."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from importers.schema import ClockReading, LineAccount
from store.care.packs import PackRun, write_pack
from store.model.records import Provenance, RunFacts
from store.version import __version__

from .measure import Run

__all__ = ["PACK_ROWS", "number_runs", "write_packs"]

PACK_ROWS = 400_000
"""A pack is closed once it holds this many samples."""

PREPARED_AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
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
    for run in runs:
        batch.append(run)
        if sum(len(one.columns["t_s"]) for one in batch) >= PACK_ROWS or run is runs[-1]:
            paths.append(folder / f"season-{len(paths) + 1}.parquet")
            write_pack(paths[-1], [_pack_run(one) for one in batch])
            batch = []
    return paths


def _pack_run(run: Run) -> PackRun:
    facts = RunFacts(uid=run.uid, **{**run.facts, "started_at": datetime.fromisoformat(run.facts["started_at"])})
    frame = pl.DataFrame(run.columns).with_columns(pl.all().fill_nan(None))
    return PackRun(facts, frame, _provenance(run))


def _provenance(run: Run) -> Provenance:
    """Says that no export stands behind the run, and which test of the model it is."""
    samples = len(run.columns["t_s"])
    return Provenance(
        source_file=f"demo model, {run.key}",
        source_sha256="",
        source_bytes=0,
        part="1",
        imported_at=PREPARED_AT,
        imported_by="survey store",
        program_version=__version__,
        profile="",
        profile_text="",
        conversions=(),
        clock=ClockReading("elapsed", unit="s"),
        sign_turned=False,
        account=LineAccount(lines=samples, samples=samples),
        warnings=(),
        trace_sha256="",
        trace_file="",
    )
