"""An import, all or nothing: samples and original to temporary files, then names, then one transaction.

Order: write, fsync, close (no lock held); then, as the one writer: rename, fsync of the folders, rows, commit. Killed
anywhere, the catalogue shows whole runs only, and the same import again puts its files over what was left.
Knows `importers.schema` only: who reads the export is the caller's business.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import duckdb
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from importers.schema import TRACE_COLUMNS, Facts, ImportedExport, ImportedRun, RunStart
from store import diskio
from store.catalogue import rows
from store.clock import now_utc, to_stored
from store.errors import DiskFault, StoreError, WrongFact
from store.model import IngestOutcome, Provenance, RunFacts
from store.records import RunRecord, append_rows, footer_entry, insert_records, numbered
from store.reduction import Bench, direction_of, reduce_record
from store.results.base import ArrayTrace
from store.traces import MEMORY_SAMPLES, ParquetTrace, TraceWriter, WrittenTrace, to_arrays, to_table
from store.version import __version__

if TYPE_CHECKING:
    from store.library import Library

__all__ = ["ImportBatch", "ImportJob"]

_CHUNK = 1 << 20


@dataclass(slots=True)
class _RunSink:
    """Takes one run's samples: to its temporary trace, and to memory while they fit there."""

    start: RunStart
    run_id: int
    writer: TraceWriter
    kept: list[pa.Table] | None = field(default_factory=list)
    last_s: float = 0.0
    interval_s: float | None = None

    def write(self, samples: pl.DataFrame) -> None:
        """Take the next samples, in order of time."""
        if samples.is_empty():
            return
        self.last_s = float(samples["t_s"][-1])
        if self.interval_s is None and samples.height > 1:
            self.interval_s = float(samples["t_s"].diff().median())  # type: ignore[arg-type]
        table = to_table(self.run_id, samples)
        self.writer.write(table)
        if self.kept is not None:
            self.kept.append(table)
            if self.writer.samples > MEMORY_SAMPLES:
                self.kept = None


@dataclass(frozen=True, slots=True)
class _Prepared:
    """A file that is read and written to temporary names, ready for its transaction."""

    path: Path
    sha256: str
    export: ImportedExport
    original: Mapping[str, Any]
    original_tmp: Path
    runs: tuple[tuple[RunRecord, WrittenTrace], ...]

    def discard(self) -> None:
        for tmp in (self.original_tmp, *(written.path for _, written in self.runs)):
            diskio.remove(tmp, announce=False)


class ImportJob:
    """One export on its way into the library; a context manager and an `ImportSink`.

    Leaving it without `commit` leaves nothing behind.
    """

    def __init__(self, library: Library, path: Path, facts: Facts, batch: ImportBatch | None = None) -> None:
        self.path = path
        self.facts = facts
        self.already_outcome: IngestOutcome | None = None
        self._library = library
        self._batch = batch
        self._sinks: list[_RunSink] = []
        self._sha256 = ""
        self._first_id = 0

    @property
    def already(self) -> bool:
        """True where the same bytes were imported before."""
        return self.already_outcome is not None

    @property
    def sha256(self) -> str:
        """SHA-256 of the file's bytes."""
        return self._sha256

    def __enter__(self) -> Self:
        with _disk("Reading", self.path):
            self._sha256 = diskio.hash_file(self.path)
        if self._batch:
            self._batch.settle(self._sha256)
            self._first_id = self._batch.next_id
        with self._library.catalogue.reader() as cursor:
            self.already_outcome = _already(cursor, self._sha256)
            if not self._first_id:
                self._first_id = next_run_id(cursor)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for sink in self._sinks:
            sink.writer.abandon()
        self._sinks = []

    def open_run(self, start: RunStart) -> _RunSink:
        """Begin a run; several may be open at once."""
        tmp = diskio.new_temporary(self._library.layout.tmp, ".parquet")
        with _disk("Writing", tmp):
            writer = TraceWriter(tmp)
        sink = _RunSink(start, self._first_id + len(self._sinks), writer)
        self._sinks.append(sink)
        return sink

    def commit(self, export: ImportedExport) -> IngestOutcome:
        """Store everything, durably, or nothing.

        Raises:
            DiskFault: The disk refused; nothing was stored.
            LibraryBusy: Another process held the catalogue too long; nothing was stored.
            WrongFact: The file changed while it was read, or the runs don't fit what was written.
        """
        if self._batch:
            raise WrongFact("A file of a batch is committed by the batch: batch.commit(job, export).")
        outcome = commit_prepared(self._library, [self.prepare(export)])[0]
        self._library.after_import()
        return outcome

    def prepare(self, export: ImportedExport) -> _Prepared:
        """Finish the temporary files, and reduce the runs; the catalogue is only read."""
        bench = self._library.bench()
        by_part = {sink.start.part: sink for sink in self._sinks}
        runs: list[tuple[RunRecord, WrittenTrace]] = []
        original_tmp = diskio.new_temporary(self._library.layout.tmp, ".zst")
        done: list[Path] = []
        try:
            with _disk("Writing", self._library.layout.tmp):
                for position, run in enumerate(export.runs):
                    sink = by_part.get(run.start.part)
                    if sink is None or sink.writer.samples != run.samples:
                        message = f"{self.path.name}: run {run.start.part} did not arrive whole."
                        raise WrongFact(message)  # noqa: TRY301 - cleaned up after below, like any failure
                    record, written = self._finish(sink, run, export, bench, self._first_id + position)
                    runs.append((record, written))
                    done.append(written.path)
                original = self._store_original(original_tmp, export)
        except BaseException:
            for path in done:
                diskio.remove(path, announce=False)
            raise
        if self._batch:
            self._batch.next_id = self._first_id + len(runs)
        return _Prepared(self.path, self._sha256, export, original, original_tmp, tuple(runs))

    def _finish(
        self, sink: _RunSink, run: ImportedRun, export: ImportedExport, bench: Bench, run_id: int
    ) -> tuple[RunRecord, WrittenTrace]:
        record = numbered(self._record(sink, run, export), sink.run_id)
        if sink.kept is not None and sink.writer.samples:
            arrays = to_arrays(pa.concat_tables(sink.kept).select(TRACE_COLUMNS[1:]))
            record = reduce_record(record, ArrayTrace(arrays), bench)
            written = sink.writer.finish([footer_entry(record)])
        else:
            # Too long for memory: the samples are read back from the finished file.
            written = sink.writer.finish([footer_entry(record)])
            trace = ParquetTrace(written.path, 0, written.samples, run.start.channels)
            record = reduce_record(record, trace, bench)
        sink.kept = None
        return (record, written) if run_id == sink.run_id else renumber(record, written, run_id)

    def _record(self, sink: _RunSink, run: ImportedRun, export: ImportedExport) -> RunRecord:
        stated, told = self.facts, run.start.stated
        is_alone = len(export.runs) == 1
        kind = stated.kind or told.kind
        uid = hashlib.sha256(f"{self._sha256}/{run.start.part}".encode()).hexdigest()[:32]
        facts = RunFacts(
            run_id=sink.run_id,
            uid=uid,
            device=stated.device or told.device,
            port=(stated.port if is_alone else None) or run.start.port or stated.port or told.port,
            mode=stated.mode or told.mode,
            kind=kind,
            direction=direction_of(run.start.direction, kind),
            load_set=stated.load or told.load,
            ambient_c=stated.ambient_c if stated.ambient_c is not None else told.ambient_c,
            started_at=run.started_at,
            meter=stated.meter or told.meter,
            note=stated.note or told.note or "",
            measured_at=stated.measured_at or told.measured_at,
            cable_mohm=stated.cable_mohm if stated.cable_mohm is not None else told.cable_mohm,
        )
        return RunRecord(
            facts=facts,
            provenance=self._provenance(run, export, uid),
            channels=run.start.channels,
            samples=run.samples,
            duration_s=sink.last_s,
            interval_s=sink.interval_s,
            first_row=0,
            events=run.events,
        )

    def _provenance(self, run: ImportedRun, export: ImportedExport, uid: str) -> Provenance:
        return Provenance(
            source_file=self.path.name,
            source_sha256=self._sha256,
            source_bytes=self.path.stat().st_size,
            part=run.start.part,
            imported_at=now_utc(),
            imported_by=self._library.who,
            program_version=__version__,
            profile=export.profile,
            profile_text=export.profile_text,
            conversions=run.conversions,
            clock=run.clock,
            sign_turned=run.sign_turned,
            account=export.account,
            warnings=run.warnings,
            trace_sha256="",
            trace_file=self._library.layout.run_file(uid),
        )

    def _store_original(self, tmp: Path, export: ImportedExport) -> dict[str, Any]:
        digest = hashlib.sha256()
        with diskio.HashingFile(tmp) as target:
            sink = pa.CompressedOutputStream(pa.PythonFile(diskio.KeptOpen(target), mode="w"), "zstd")
            with self.path.open("rb") as source:
                while block := source.read(_CHUNK):
                    digest.update(block)
                    sink.write(block)
                size = source.tell()
            sink.close()
            if digest.hexdigest() != self._sha256:
                raise WrongFact(f"{self.path.name} changed while it was read. Import it again when it is complete.")
            target.commit()
        return {
            "sha256": self._sha256,
            "file_name": self.path.name,
            "bytes": size,
            "stored_as": self._library.layout.original_file(self._sha256, self.path.name),
            "stored_sha256": target.sha256,
            "stored_bytes": target.size,
            "imported_at": to_stored(now_utc()),
            "imported_by": self._library.who,
            "program_version": __version__,
            "profile": export.profile,
            "profile_text": export.profile_text,
            "account": json.dumps(asdict(export.account)),
            "problems": json.dumps([asdict(p) for p in export.problems], ensure_ascii=False),
        }


class ImportBatch:
    """Several files per transaction, for speed; each file is still all or nothing.

    Use: `with library.import_batch(on_committed=...) as batch: with batch.begin_import(path, facts) as job: ...;
    batch.commit(job, export)`. A file is durable once `on_committed` was called for it.
    """

    def __init__(
        self,
        library: Library,
        *,
        every_files: int = 64,
        every_s: float = 2.0,
        on_committed: Callable[[Path, IngestOutcome], None] | None = None,
    ) -> None:
        self.next_id = 0
        self._library = library
        self._every_files = every_files
        self._every_s = every_s
        self._on_committed = on_committed
        self._waiting: list[_Prepared] = []
        self._since = time.monotonic()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.flush()
        finally:
            self._discard()

    def begin_import(self, path: str | Path, facts: Facts | None = None) -> ImportJob:
        """Like `Library.begin_import`, as a part of this batch."""
        return ImportJob(self._library, Path(path), facts or Facts(), self)

    def commit(self, job: ImportJob, export: ImportedExport) -> None:
        """Take a file that was read; it is stored with the next flush."""
        self._waiting.append(job.prepare(export))
        if len(self._waiting) >= self._every_files or time.monotonic() - self._since >= self._every_s:
            self.flush()

    def settle(self, sha256: str) -> None:
        """Flush if the same bytes are waiting already."""
        if any(prepared.sha256 == sha256 for prepared in self._waiting):
            self.flush()

    def flush(self) -> None:
        """Store what is waiting, in one transaction."""
        waiting, self._waiting = self._waiting, []
        self.next_id = 0
        self._since = time.monotonic()
        if not waiting:
            return
        outcomes = commit_prepared(self._library, waiting)
        if self._on_committed:
            for prepared, outcome in zip(waiting, outcomes, strict=True):
                self._on_committed(prepared.path, outcome)
        self._library.after_import()

    def _discard(self) -> None:
        for prepared in self._waiting:
            prepared.discard()
        self._waiting = []


def next_run_id(cursor: duckdb.DuckDBPyConnection) -> int:
    """The number that the next run gets, if nobody is quicker. Numbers of deleted runs aren't used again."""
    sql = (
        "SELECT coalesce(max(r), 0) + 1 FROM (SELECT max(run_id) AS r FROM catalogue.run UNION ALL "
        "SELECT max(run_id) FROM catalogue.tombstone UNION ALL "
        "SELECT max(CAST(value AS BIGINT)) FROM catalogue.meta WHERE key = 'reserved')"
    )
    return int(rows(cursor, sql)[0][0])


def _already(cursor: duckdb.DuckDBPyConnection, sha256: str) -> IngestOutcome | None:
    found = rows(cursor, "SELECT run_id, port FROM catalogue.run WHERE source_sha256 = ? ORDER BY run_id", [sha256])
    if not found:
        return None
    return IngestOutcome(
        tuple(int(r) for r, _ in found), tuple(p if p is None else str(p) for _, p in found), already=True
    )


@contextlib.contextmanager
def _disk(doing: str, path: Path) -> Any:
    try:
        yield
    except OSError as error:
        if isinstance(error, StoreError):
            raise
        if not error.filename:
            error.filename = str(path)
        raise DiskFault.of(error, doing) from error


def renumber(record: RunRecord, written: WrittenTrace, run_id: int) -> tuple[RunRecord, WrittenTrace]:
    """The same run under another number: its temporary trace is written anew."""
    changed = numbered(record, run_id)
    writer = TraceWriter(diskio.new_temporary(written.path.parent, ".parquet"))
    try:
        with pq.ParquetFile(written.path) as file:
            for batch in file.iter_batches():
                column = pa.repeat(pa.scalar(run_id, pa.int64()), batch.num_rows)
                table = pa.Table.from_batches([batch])
                writer.write(table.set_column(0, "run_id", column))
        fresh = writer.finish([footer_entry(changed)])
    except BaseException:
        writer.abandon()
        raise
    diskio.remove(written.path, announce=False)
    return changed, fresh


def commit_prepared(library: Library, waiting: Sequence[_Prepared]) -> list[IngestOutcome]:
    """Store prepared files in one transaction; whatever happens, no temporary is left.

    Runs were numbered when they were read. Where another process took those numbers meanwhile, numbers are reserved in
    a transaction of their own and the traces rewritten, so that the catalogue is never held while a trace is written.
    """
    current = list(waiting)
    try:
        while True:
            outcomes = _try_commit(library, current)
            if outcomes is not None:
                return outcomes
            first = _reserve(library, sum(len(p.runs) for p in current))
            for index, prepared in enumerate(current):
                fresh = []
                for record, written in prepared.runs:
                    fresh.append(renumber(record, written, first))
                    first += 1
                current[index] = replace(prepared, runs=tuple(fresh))
    except OSError as error:
        raise DiskFault.of(error, "Storing") from error
    finally:
        for prepared in current:
            prepared.discard()


def _reserve(library: Library, count: int) -> int:
    with library.catalogue.writer() as cursor:
        first = next_run_id(cursor)
        cursor.execute("DELETE FROM catalogue.meta WHERE key = 'reserved'")
        cursor.execute("INSERT INTO catalogue.meta VALUES ('reserved', ?)", [str(first + count - 1)])
    return first


def _try_commit(library: Library, waiting: Sequence[_Prepared]) -> list[IngestOutcome] | None:
    """One try; None where the numbers were taken."""
    layout = library.layout
    with library.catalogue.writer() as cursor:
        library.check_schema(cursor)
        known = {p.sha256: _already(cursor, p.sha256) for p in waiting}
        fresh = [p for p in waiting if known[p.sha256] is None]
        numbers = [record.facts.run_id for p in fresh for record, _ in p.runs]
        if numbers and _is_taken(cursor, numbers):
            return None
        trace_id = next_trace_id(cursor)
        traces: list[dict[str, Any]] = []
        records: list[tuple[RunRecord, int]] = []
        for prepared in fresh:
            diskio.place(prepared.original_tmp, layout.absolute(str(prepared.original["stored_as"])))
            for record, written in prepared.runs:
                file = layout.run_file(record.facts.uid)
                diskio.place(written.path, layout.absolute(file))
                traces.append(trace_row(trace_id, file, written, is_pack=False))
                records.append((record, trace_id))
                trace_id += 1
        if fresh:
            diskio.fsync_folder(layout.runs)
            diskio.fsync_folder(layout.originals)
            append_rows(cursor, "original", [p.original for p in fresh])
            append_rows(cursor, "trace_file", traces)
            insert_records(cursor, records)
        loose = rows(cursor, "SELECT count(*) FROM catalogue.trace_file WHERE NOT is_pack")
        library.loose_traces = int(loose[0][0])
        return [known[p.sha256] or _outcome(p) for p in waiting]


def _is_taken(cursor: duckdb.DuckDBPyConnection, numbers: Sequence[int]) -> bool:
    sql = (
        "SELECT 1 FROM (SELECT run_id FROM catalogue.run UNION ALL SELECT run_id FROM catalogue.tombstone) "
        "WHERE run_id BETWEEN ? AND ? LIMIT 1"
    )
    return bool(rows(cursor, sql, [min(numbers), max(numbers)]))


def next_trace_id(cursor: duckdb.DuckDBPyConnection) -> int:
    """The number of the next trace file; numbers of files that are gone aren't used again."""
    sql = (
        "SELECT greatest((SELECT coalesce(max(trace_id), 0) FROM catalogue.trace_file), "
        "(SELECT coalesce(max(CAST(value AS BIGINT)), 0) FROM catalogue.meta WHERE key = 'last_trace_id')) + 1"
    )
    return int(rows(cursor, sql)[0][0])


def note_trace_ids(cursor: duckdb.DuckDBPyConnection) -> None:
    """Remember the highest number of a trace file, before rows of trace files are deleted."""
    last = next_trace_id(cursor) - 1
    cursor.execute("DELETE FROM catalogue.meta WHERE key = 'last_trace_id'")
    cursor.execute("INSERT INTO catalogue.meta VALUES ('last_trace_id', ?)", [str(last)])


def trace_row(trace_id: int, file: str, written: WrittenTrace, *, is_pack: bool) -> dict[str, Any]:
    return {
        "trace_id": trace_id,
        "file": file,
        "is_pack": is_pack,
        "sha256": written.sha256,
        "bytes": written.size,
        "samples": written.samples,
    }


def _outcome(prepared: _Prepared) -> IngestOutcome:
    details = tuple(
        {
            "run_id": record.facts.run_id,
            "port": record.facts.port,
            "channels": list(record.channels),
            "samples": record.samples,
            "span_s": record.duration_s,
            "profile": record.provenance.profile,
            "warnings": list(record.provenance.warnings),
        }
        for record, _ in prepared.runs
    )
    ids = tuple(record.facts.run_id for record, _ in prepared.runs)
    return IngestOutcome(ids, tuple(record.facts.port for record, _ in prepared.runs), already=False, details=details)
