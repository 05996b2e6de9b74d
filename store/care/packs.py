"""Packs: one Parquet file of many whole runs, with every run's facts in the footer.

Written for a demo or an exchange, and read back when a catalogue is rebuilt.
Knows Parquet and the catalogue's rows; no screen.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from importers.schema import TRACE_COLUMNS, ClockReading, LineAccount, TraceEvent
from store.catalogue.run_records import (
    RunRecord,
    footer_entry,
    numbered,
    record_from_footer,
)
from store.devices.bench import Bench
from store.errors import StoreError, TraceDamaged
from store.files import durable
from store.files.layout import Layout
from store.files.originals import unpack_original
from store.files.traces import (
    MEMORY_SAMPLES,
    ParquetTrace,
    TraceWriter,
    arrow_schema,
    present_channels,
    read_footer,
    read_samples,
    to_arrays,
    to_table,
)
from store.imports.reduction import reduce_record
from store.model.records import Provenance, RunFacts
from store.model.results import ArrayTrace
from store.version import __version__
from store.words.clock import to_stored

__all__ = ["PackRun", "pack_records", "reduce_pack", "write_pack"]

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class PackRun:
    """One run for a pack: its facts and its samples."""

    facts: RunFacts
    """`run_id` and `uid` must differ from run to run."""
    samples: pl.DataFrame
    """`t_s` [s] ascending from 0, and the channels that the run has."""
    provenance: Provenance | None = None
    """None for a run that no export stands behind."""
    events: tuple[TraceEvent, ...] = ()


def write_pack(path: Path, runs: Iterable[PackRun], *, made_at: datetime | None = None, made_by: str = "") -> str:
    """Write runs as one pack, sorted by run_id then t_s, in row groups of whole runs.

    Args:
        path: The new file; one that is there is replaced.
        runs: The runs; at most one is held in memory beside what is written if they come sorted by run_id.
        made_at: Stands as import time of runs without provenance; now where None.
        made_by: Stands as importer of runs without provenance.

    Returns:
        SHA-256 of the file.
    """
    tmp = durable.new_temporary(path.parent, ".parquet.part")
    writer = TraceWriter(tmp)
    moment = made_at or datetime.now(UTC)
    entries: list[dict[str, Any]] = []
    try:
        for run in sorted(runs, key=lambda r: r.facts.run_id):
            provenance = run.provenance or _no_export(path.name, run.samples.height, moment, made_by)
            table = to_table(run.facts.run_id, run.samples.sort("t_s"))
            t_s = run.samples["t_s"]
            record = RunRecord(
                facts=run.facts,
                provenance=provenance,
                channels=present_channels(table),
                samples=table.num_rows,
                duration_s=float(t_s.max() or 0.0),  # type: ignore[arg-type]
                interval_s=float(t_s.diff().median()) if table.num_rows > 1 else None,  # type: ignore[arg-type]
                first_row=writer.samples,
                events=run.events,
            )
            entries.append(footer_entry(record))
            writer.write(table, whole=True)
        written = writer.finish(entries)
    except BaseException:
        writer.abandon()
        raise
    durable.place(tmp, path)
    durable.fsync_folder(path.parent)
    return written.sha256


def _no_export(name: str, samples: int, made_at: datetime, made_by: str) -> Provenance:
    return Provenance(
        source_file=name,
        source_sha256="",
        source_bytes=0,
        part="1",
        imported_at=made_at,
        imported_by=made_by,
        program_version=__version__,
        profile="",
        profile_text="",
        conversions=(),
        clock=ClockReading("elapsed"),
        sign_turned=False,
        account=LineAccount(lines=samples, samples=samples),
        warnings=(),
        trace_sha256="",
        trace_file="",
    )


def pack_records(path: Path, relative: str, sha256: str) -> list[RunRecord]:
    """The runs of a trace file, as its footer tells.

    Raises:
        TraceDamaged: No trace, or its footer and its rows disagree.
    """
    footer = read_footer(path)
    try:
        records = [record_from_footer(entry, trace_file=relative, trace_sha256=sha256) for entry in footer["runs"]]
    except (KeyError, TypeError, ValueError) as error:
        raise TraceDamaged(f"{path}: its footer can't be read ({type(error).__name__}: {error}).") from error
    with path.open("rb") as file:
        count = pq.read_metadata(file).num_rows
    at = 0
    for record in records:
        if record.first_row != at:
            raise TraceDamaged(
                f"{path}: run {record.facts.run_id} should begin at row {at}, its footer says {record.first_row}."
            )
        at += record.samples
    if at != count:
        raise TraceDamaged(f"{path}: its footer names {at} samples, it holds {count}.")
    return records


def check_columns(path: Path) -> None:
    """Refuse a file whose columns are not those of a trace.

    Raises:
        TraceDamaged: They are not.
    """
    with path.open("rb") as file, pq.ParquetFile(file) as parquet:
        if not parquet.schema_arrow.equals(arrow_schema()):
            raise TraceDamaged(f"{path}: its columns are not those of a trace.")


def renumbered_pieces(
    path: Path, records: Sequence[RunRecord], numbers: Sequence[int]
) -> Iterator[tuple[RunRecord, pa.Table]]:
    """Runs of a file with their samples under the records' own numbers.

    Args:
        path: The trace file.
        records: The runs as they are to be numbered.
        numbers: The numbers under which they lie in the file, in the same order.

    Raises:
        TraceDamaged: The rows are not where they should be, or a page's checksum is wrong.
    """
    for record, number in zip(records, numbers, strict=True):
        for at, piece in pieces(path, [numbered(record, number)]):
            table = piece
            if table is None:
                table = pa.concat_tables(read_samples(path, at.first_row, at.samples, TRACE_COLUMNS))
            column = pa.repeat(pa.scalar(record.facts.run_id, pa.int64()), table.num_rows)
            yield record, table.set_column(0, arrow_schema().field("run_id"), column)


def original_row(layout: Layout, record: RunRecord) -> dict[str, Any] | None:
    """The row of the export that a run was read from; None where it doesn't lie whole on the disk."""
    p = record.provenance
    stored_as = layout.original_file(p.source_sha256, p.source_file)
    try:
        path = layout.absolute(stored_as)
        digest, size = hashlib.sha256(), 0
        for block in unpack_original(path):
            digest.update(block)
            size += len(block)
        if digest.hexdigest() != p.source_sha256:
            return None
        stored_sha256, stored_bytes = durable.hash_file(path), path.stat().st_size
    except (StoreError, OSError):
        return None
    return {
        "sha256": p.source_sha256,
        "file_name": p.source_file,
        "bytes": size,
        "stored_as": stored_as,
        "stored_sha256": stored_sha256,
        "stored_bytes": stored_bytes,
        "imported_at": to_stored(p.imported_at),
        "imported_by": p.imported_by,
        "program_version": p.program_version,
        "profile": p.profile,
        "profile_text": p.profile_text,
        "account": json.dumps(asdict(p.account)),
        "problems": "[]",
    }


def pieces(path: Path, records: Sequence[RunRecord]) -> Iterator[tuple[RunRecord, pa.Table | None]]:
    """Some runs of a file with their samples; None for a run too long for memory.

    Reads only the row groups that hold them, each once if the runs come in order of rows.

    Raises:
        TraceDamaged: The rows are not where they should be, or a page's checksum is wrong.
    """
    try:
        with path.open("rb") as source, pq.ParquetFile(source, page_checksum_verification=True) as file:
            starts = [0]
            for number in range(file.num_row_groups):
                starts.append(starts[-1] + file.metadata.row_group(number).num_rows)
            held: dict[int, pa.Table] = {}
            for record in sorted(records, key=lambda r: r.first_row):
                if record.samples > MEMORY_SAMPLES:
                    yield record, None
                    continue
                first, end = record.first_row, record.first_row + record.samples
                wanted = [n for n in range(file.num_row_groups) if starts[n] < end and starts[n + 1] > first]
                held = {n: held[n] if n in held else _read_group(file, n) for n in wanted}
                if not wanted:
                    yield record, arrow_schema().empty_table()
                    continue
                piece = pa.concat_tables(held.values()).slice(first - starts[wanted[0]], record.samples)
                _check_place(path, record, piece)
                yield record, piece
    except (pa.ArrowException, OSError) as error:
        raise TraceDamaged(f"{path} can't be read: {error}. Run `joulebook verify`.") from error


def _read_group(file: pq.ParquetFile, number: int) -> pa.Table:
    """A row group with all its columns; those that the footer says hold nothing are not read: half of the time."""
    group = file.metadata.row_group(number)
    chunks = (group.column(i) for i in range(group.num_columns))
    held = [c.path_in_schema for c in chunks if c.statistics is None or c.statistics.null_count != group.num_rows]
    table = file.read_row_group(number, columns=held, use_threads=group.num_rows > LONG_SAMPLES)
    if len(held) == len(file.schema_arrow):
        return table
    there = set(held)
    columns = [
        table.column(field.name) if field.name in there else pa.nulls(table.num_rows, field.type)
        for field in file.schema_arrow
    ]
    return pa.Table.from_arrays(columns, schema=file.schema_arrow)


def _check_place(path: Path, record: RunRecord, piece: pa.Table) -> None:
    ends = (piece["run_id"][0].as_py(), piece["run_id"][-1].as_py()) if piece.num_rows else ()
    if piece.num_rows != record.samples or set(ends) != {record.facts.run_id}:
        raise TraceDamaged(f"{path}: the rows of run {record.facts.run_id} are not where they should be.")


def reduce_pack(
    path: Path, records: Sequence[RunRecord], bench: Bench, progress: Progress | None = None
) -> list[RunRecord]:
    """Every run of a file with its results, events and preview.

    Args:
        path: The trace file.
        records: Its runs.
        bench: Devices and meters.
        progress: Told how many runs of how many are done.
    """

    def work(item: tuple[RunRecord, pa.Table | None]) -> RunRecord:
        record, piece = item
        if piece is None:
            trace: Any = ParquetTrace(path, record.first_row, record.samples, record.channels)
        else:
            columns = ["t_s", *record.channels] if record.channels else piece.column_names[1:]
            trace = ArrayTrace(to_arrays(piece.select(columns)))
        return reduce_record(record, trace, bench)

    done: list[RunRecord] = []
    is_long = any(record.samples > LONG_SAMPLES for record in records)
    with ThreadPoolExecutor(2) if is_long else nullcontext() as pool:
        items = pieces(path, records)
        for record in _bounded_map(pool, work, items, ahead=4) if pool is not None else map(work, items):
            done.append(record)
            if progress:
                progress(len(done), len(records))
    return done


LONG_SAMPLES = 100_000
"""Runs longer than this are worth two threads: a shorter one's results are Python's work, where threads only wait."""


def _bounded_map(
    pool: ThreadPoolExecutor, work: Callable[[Any], Any], items: Iterable[Any], ahead: int
) -> Iterator[Any]:
    """Like `pool.map`, with at most `ahead` items read before their turn."""
    waiting: list[Any] = []
    for item in items:
        waiting.append(pool.submit(work, item))
        if len(waiting) >= ahead:
            yield waiting.pop(0).result()
    for future in waiting:
        yield future.result()
