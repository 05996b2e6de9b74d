"""A run's samples once more from the export that was kept and the profile that was kept with it.

What a damaged trace is recreated from. Part of imports, for only these know how exports are read.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl
import pyarrow as pa

import importers
from importers import ImportProblem
from importers.schema import Facts, RunStart
from store.catalogue.run_records import RunRecord
from store.errors import TraceDamaged
from store.files import durable
from store.files.originals import original_hash, unpack_original
from store.files.traces import present_channels, to_table

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["read_again"]


class _Kept:
    """Takes one run's samples to memory."""

    def __init__(self) -> None:
        self.frames: list[pl.DataFrame] = []

    def write(self, samples: pl.DataFrame) -> None:
        """Take the next samples, in order of time."""
        if not samples.is_empty():
            self.frames.append(samples)


class _Sink:
    """Takes the runs that are wanted and lets the others go."""

    def __init__(self, parts: set[str]) -> None:
        self._parts = parts
        self.runs: dict[str, _Kept] = {}

    def open_run(self, start: RunStart) -> _Kept:
        """Begin a run."""
        kept = _Kept()
        if start.part in self._parts:
            self.runs[start.part] = kept
            return kept
        kept.write = lambda samples: None  # type: ignore[method-assign]  # noqa: ARG005
        return kept


def read_again(library: Store, records: Sequence[RunRecord]) -> list[tuple[RunRecord, pa.Table]]:
    """Runs of one export as trace tables, read from the kept original by the kept profile.

    Args:
        library: The library.
        records: Runs with the same original, as the catalogue has them.

    Raises:
        TraceDamaged: The original is missing or damaged, can't be read by its profile, or reads otherwise today.
        OSError: The disk refused.
    """
    provenance = records[0].provenance
    stored_as = library.layout.original_file(provenance.source_sha256, provenance.source_file)
    path = library.layout.absolute(stored_as)
    try:
        if not provenance.source_sha256 or original_hash(path) != provenance.source_sha256:
            raise TraceDamaged(f"its original {stored_as} is damaged")
    except FileNotFoundError as error:
        raise TraceDamaged(f"its original {stored_as} is missing") from error
    sink = _Sink({record.provenance.part for record in records})
    with _unpacked(library, path, provenance.source_file) as export:
        try:
            profile = importers.Profile.from_toml(provenance.profile_text, "the kept profile")
            inspection = importers.inspect(export, profiles=(profile,), profile=profile.name, zone=library.zone)
            importers.read(export, inspection, sink, facts=Facts(), zone=library.zone)
        except ImportProblem as error:
            raise TraceDamaged(f"its original can't be read by the profile that was kept: {error}") from error
    return [_as_stored(record, sink) for record in records]


def _as_stored(record: RunRecord, sink: _Sink) -> tuple[RunRecord, pa.Table]:
    kept = sink.runs.get(record.provenance.part)
    frames = kept.frames if kept else []
    table = to_table(record.facts.run_id, pl.concat(frames, how="diagonal")) if frames else None
    if table is None or table.num_rows != record.samples:
        found = table.num_rows if table is not None else 0
        raise TraceDamaged(f"its original reads as {found} samples today, not {record.samples}")
    if set(present_channels(table)) != set(record.channels):
        raise TraceDamaged("its original reads as other channels today")
    return record, table


@contextmanager
def _unpacked(library: Store, original: Path, name: str) -> Iterator[Path]:
    """The export under its own ending in a temporary file."""
    suffix = Path(name).suffix
    safe = suffix if suffix[1:].isalnum() and len(suffix) <= 9 else ""
    target = durable.new_temporary(library.layout.tmp, safe)
    try:
        with durable.HashingFile(target) as file:
            for block in unpack_original(original):
                file.write(block)
            file.commit()
        yield target
    finally:
        durable.remove(target, announce=False)
