"""One export on its way into the library: its samples to temporary traces, its bytes to a copy, its results.

No lock is held meanwhile; `store.imports.commit` stores what is ready. Knows `importers.schema` only: who reads the
export is the caller's business.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import stat
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import polars as pl

from importers.schema import Facts, ImportedExport, ImportedRun, RunStart
from store.care.repack import pack_if_loose
from store.catalogue.numbers import next_run_id
from store.catalogue.run_records import RunRecord, footer_entry
from store.devices.bench import Bench, load_bench
from store.errors import DiskFault, StoreError, WrongFact
from store.files import durable
from store.files.originals import OriginalCopy
from store.files.traces import MEMORY_SAMPLES, ParquetTrace, TraceWriter, WrittenTrace, to_table
from store.imports.commit import PreparedFile, commit_prepared, known_outcome
from store.imports.grown import (
    Before,
    Beginnings,
    LogStart,
    filled,
    find_before,
    hash_with_beginnings,
    marked_alike,
)
from store.imports.known_runs import known_runs
from store.imports.originals_back import put_back
from store.imports.reduction import direction_of, reduce_record
from store.imports.undisturbed import undisturbed
from store.judge.contradictions import contradictions
from store.model.records import IngestOutcome, Provenance, RunFacts
from store.model.results import Array, ArrayTrace
from store.runs.fact_values import checked_facts, tidy_mode
from store.signal.statistics import median
from store.version import __version__
from store.words.clock import now_utc, to_stored

if TYPE_CHECKING:
    from store.core import Store
    from store.imports.many_jobs import ImportBatch

__all__ = ["ImportJob"]


@dataclass(slots=True)
class _RunSink:
    """Takes one run's samples: to its temporary trace, and to memory while they fit there."""

    start: RunStart
    run_id: int
    writer: TraceWriter
    kept: list[pl.DataFrame] | None = field(default_factory=list)
    last_s: float = 0.0
    interval_s: float | None = None

    def write(self, samples: pl.DataFrame) -> None:
        """Take the next samples, in order of time."""
        if samples.is_empty():
            return
        self.last_s = float(samples["t_s"][-1])
        if self.interval_s is None and samples.height > 1:
            self.interval_s = median(np.diff(samples["t_s"].to_numpy()))
        self.writer.write(to_table(self.run_id, samples))
        if self.kept is not None:
            self.kept.append(samples)
            if self.writer.samples > MEMORY_SAMPLES:
                self.kept = None

    @property
    def values(self) -> dict[str, Array] | None:
        """`t_s` and the channels as arrays, NULL as NaN; None where they did not fit in memory."""
        if self.kept is None:
            return None
        return {name: _joined(self.kept, name) for name in ("t_s", *self.start.channels)} if self.kept else {}

    def take_trace(self) -> ArrayTrace | None:
        """The samples as arrays, NULL as NaN, which are then no longer kept; None where they did not fit in memory."""
        kept, self.kept = self.kept, None
        if not kept:
            return None
        names = dict.fromkeys(name for frame in kept for name in frame.columns)
        return ArrayTrace({name: _joined(kept, name) for name in names})


def _joined(frames: Sequence[pl.DataFrame], name: str) -> Array:
    parts = [
        frame[name].cast(pl.Float64).to_numpy() if name in frame.columns else np.full(frame.height, np.nan)
        for frame in frames
    ]
    return np.concatenate(parts) if len(parts) > 1 else parts[0]


def _refuse_device(path: Path) -> None:
    """Refuse a pipe or a device before it is opened: reading it may never end.

    Raises:
        WrongFact: it is one.
    """
    with contextlib.suppress(OSError):  # what is not there, or can't be looked at, says so when it is read
        mode = path.stat().st_mode
        if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
            raise WrongFact(f"{path.name} is not a regular file. Copy its content to a file first.")


def _contradicted(record: RunRecord, bench: Bench) -> tuple[str, ...]:
    """What of the stated facts the trace, or the device's sheet, contradicts."""
    facts, reduction = record.facts, record.reduction
    sheet = bench.devices.get(facts.device or "")
    results = {result.name: result.value for result in reduction.results} if reduction else {}
    return contradictions(
        "RUN",
        port=facts.port,
        mode=facts.mode,
        kind=facts.kind,
        value=results.get,
        ports=tuple(port.name for port in sheet.ports) if sheet else (),
    )


class ImportJob:
    """One export on its way into the library; a context manager and an `ImportSink`.

    Leaving it without `commit` leaves nothing behind.
    """

    def __init__(
        self,
        library: Store,
        path: Path,
        facts: Facts,
        batch: ImportBatch | None = None,
        *,
        is_own: bool = False,
    ) -> None:
        self.path = path
        self.facts = checked_facts(facts)
        self.already_outcome: IngestOutcome | None = None
        self.first_id = 0
        """Number of the file's first run."""
        self._library = library
        self._batch = batch
        self._sinks: list[_RunSink] = []
        self._sha256 = ""
        self._is_prepared = False
        self._original = OriginalCopy(path, durable.new_temporary(library.layout.tmp, ".zst"))
        self.is_own = is_own
        self._beginnings: tuple[str, ...] = ()
        """Hashes of imported exports with whose bytes this one begins."""

    @property
    def already(self) -> bool:
        """True where the same bytes were imported before."""
        return self.already_outcome is not None

    @property
    def next_id(self) -> int:
        """The number after those of the file's runs."""
        return self.first_id + len(self._sinks)

    @property
    def sha256(self) -> str:
        """SHA-256 of the file's bytes."""
        return self._sha256

    def __enter__(self) -> Self:
        _refuse_device(self.path)
        with _disk("Reading", self.path):
            if not stat.S_ISREG(self.path.stat().st_mode):
                raise WrongFact(
                    f"{self.path} is not a regular file: a pipe, a device or a folder can't be imported as an export."
                )
            self._hash()
        if self._batch:
            self.already_outcome = self._batch.known(self._sha256)
            self.first_id = 0 if self.already else self._batch.first_id()
            self._put_back()
            return self
        with self._library.catalogue.reader() as cursor:
            self.already_outcome = known_outcome(cursor, self._sha256)
            self.first_id = next_run_id(cursor)
        self._put_back()
        return self

    def _hash(self) -> None:
        """Hash the file, and those of its beginnings that may have been imported before."""
        if self.is_own:
            self._sha256 = durable.hash_file(self.path)
            return
        before = self._library_beginnings() if self._batch is None else self._batch.beginnings(self._length())
        self._sha256, found = hash_with_beginnings(self.path, before.sizes)
        self._beginnings = tuple(sha256 for size, sha256 in found.items() if before.holds(size, sha256))

    def _length(self) -> int:
        return self.path.stat().st_size

    def _library_beginnings(self) -> Beginnings:
        known, length = known_runs(self._library), self._length()
        return Beginnings(known.sizes[: int(np.searchsorted(known.sizes, length))], (known.hashes,))

    def _put_back(self) -> None:
        """Bytes that were imported before mend their kept copy, where that is missing or damaged."""
        if self.already_outcome is not None:
            with _disk("Reading", self.path):
                put_back(self._library, self.path, self._sha256)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for sink in self._sinks:
            sink.writer.abandon()
        self._sinks = []
        if not self._is_prepared:
            self._original.abandon()

    def open_run(self, start: RunStart) -> _RunSink:
        """Begin a run; several may be open at once."""
        tmp = durable.new_temporary(self._library.layout.tmp, ".parquet")
        with _disk("Writing", tmp):
            writer = TraceWriter(tmp)
        sink = _RunSink(start, self.next_id, writer)
        self._sinks.append(sink)
        with _disk("Reading", self.path):
            self._original.begin()
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
        prepared = self.prepare(export)
        with undisturbed():
            outcome = commit_prepared(self._library, [prepared])[0]
            pack_if_loose(self._library)
        return outcome

    def prepare(self, export: ImportedExport) -> PreparedFile:
        """Finish the temporary files, and reduce the runs; the catalogue is only read."""
        self._original.go_on()
        bench = self._batch.bench() if self._batch else load_bench(self._library)
        by_part = {sink.start.part: sink for sink in self._sinks}
        runs: list[tuple[RunRecord, WrittenTrace]] = []
        before = self._before(export, by_part)
        try:
            with _disk("Writing", self._library.layout.tmp):
                for run in export.runs:
                    sink = by_part.get(run.start.part)
                    if sink is None or sink.writer.samples != run.samples:
                        message = f"{self.path.name}: run {run.start.part} arrived incomplete."
                        raise WrongFact(message)  # noqa: TRY301 - cleaned up after below, like any failure
                    runs.append(self._finish(sink, run, export, bench, before.shorter.get(run.start.part)))
                original = self._kept_original(export)
        except BaseException:
            for _, written in runs:
                durable.remove(written.path, announce=False)
            raise
        self._is_prepared = True
        contradicted = {record.facts.uid: _contradicted(record, bench) for record, _ in runs}
        grown = {record.facts.uid: known for record, _ in runs if (known := before.shorter.get(record.provenance.part))}
        return PreparedFile(
            self.path,
            self._sha256,
            export,
            original,
            self._original.target,
            tuple(runs),
            contradicted,
            grown,
            before.longer,
        )

    def _before(self, export: ImportedExport, sinks: Mapping[str, _RunSink]) -> Before:
        """Runs of the library that are versions of this file's logs."""
        if self.is_own:
            return Before()
        starts = [
            LogStart(run.start.part, self.path.name, run.started_at, run.samples, sinks[run.start.part].values)
            for run in export.runs
            if run.start.part in sinks
        ]
        if self._batch and not self._batch.may_know(starts, self._beginnings):
            return Before()
        with _disk("Reading", self._library.layout.root):
            return find_before(self._library, starts, self._beginnings, self.facts)

    def _finish(
        self, sink: _RunSink, run: ImportedRun, export: ImportedExport, bench: Bench, before: RunRecord | None
    ) -> tuple[RunRecord, WrittenTrace]:
        record = self._record(sink, run, export, before)
        trace = sink.take_trace()
        if trace is not None:
            record = reduce_record(record, trace, bench)
            written = sink.writer.finish([footer_entry(record)])
        else:
            # Too long for memory: the samples are read back from the finished file.
            written = sink.writer.finish([footer_entry(record)])
            on_disk = ParquetTrace(written.path, 0, written.samples, run.start.channels)
            record = reduce_record(record, on_disk, bench, is_timed=True)
        return record, written

    def _record(self, sink: _RunSink, run: ImportedRun, export: ImportedExport, before: RunRecord | None) -> RunRecord:
        stated, told = filled(self.facts, before.facts) if before else self.facts, run.start.stated
        is_alone = len(export.runs) == 1
        kind = stated.kind or told.kind
        uid = hashlib.sha256(f"{self._sha256}/{run.start.part}".encode()).hexdigest()[:32]
        facts = RunFacts(
            run_id=sink.run_id,
            uid=uid,
            device=stated.device or told.device,
            port=(stated.port if is_alone else None) or run.start.port or stated.port or told.port,
            mode=stated.mode or tidy_mode(told.mode),
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
            facts=marked_alike(facts, before.facts, self.facts) if before else facts,
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

    def _kept_original(self, export: ImportedExport) -> dict[str, Any]:
        packed = self._original.finish()
        if packed.sha256 != self._sha256:
            raise WrongFact(f"{self.path.name} changed while it was read. Import it again when it is complete.")
        return {
            "sha256": self._sha256,
            "file_name": self.path.name,
            "bytes": packed.size,
            "stored_as": self._library.layout.original_file(self._sha256, self.path.name),
            "stored_sha256": packed.packed_sha256,
            "stored_bytes": packed.packed_size,
            "imported_at": to_stored(now_utc()),
            "imported_by": self._library.who,
            "program_version": __version__,
            "profile": export.profile,
            "profile_text": export.profile_text,
            "account": json.dumps(asdict(export.account)),
            "problems": json.dumps([asdict(p) for p in export.problems], ensure_ascii=False),
        }


@contextlib.contextmanager
def _disk(doing: str, path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if isinstance(error, StoreError):
            raise
        if not error.filename:
            error.filename = str(path)
        raise DiskFault.of(error, doing) from error
