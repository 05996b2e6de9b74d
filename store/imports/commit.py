"""Files that were read, into the library: names, then one transaction for all of them.

Order: rename, fsync of the folders, rows, commit, as the one writer. Killed anywhere, the catalogue shows whole runs
only, and the same import again puts its files over what was left.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from importers.schema import ImportedExport
from store.care.repack import Moved, Replacement, remove_files, write_without
from store.care.strays import drop_empty_files
from store.catalogue.amendments import Change, amend
from store.catalogue.connection import rows
from store.catalogue.numbers import are_taken, next_trace_id, reserve_run_ids, trace_row
from store.catalogue.run_records import RunRecord, append_rows, footer_entry, insert_records, numbered
from store.errors import DiskFault, WrongFact
from store.files import durable
from store.files.traces import TraceWriter, WrittenTrace
from store.imports.grown import is_there, stand_back
from store.model.records import IngestOutcome
from store.runs.recompute import load_records

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["PreparedFile", "commit_prepared", "known_outcome"]


@dataclass(frozen=True, slots=True)
class PreparedFile:
    """A file that is read and written to temporary names, ready for its transaction."""

    path: Path
    sha256: str
    export: ImportedExport
    original: Mapping[str, Any]
    original_tmp: Path
    runs: tuple[tuple[RunRecord, WrittenTrace], ...]
    contradicted: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """What a run's trace or its device's sheet contradicts, by the run's uid."""
    grown: Mapping[str, RunRecord] = field(default_factory=dict)
    """By the run's uid: the shorter run whose place it takes."""
    longer: tuple[RunRecord, ...] = ()
    """Runs that go on where each of this file's ends: then nothing is stored."""

    def discard(self) -> None:
        """Remove what is still under a temporary name."""
        for tmp in (self.original_tmp, *(written.path for _, written in self.runs)):
            durable.remove(tmp, announce=False)


def commit_prepared(library: Store, waiting: Sequence[PreparedFile]) -> list[IngestOutcome]:
    """Store prepared files in one transaction; whatever happens, no temporary is left.

    Runs were numbered when they were read. Where another process took those numbers meanwhile, numbers are reserved in
    a transaction of their own and the traces rewritten, so that the catalogue is never held while a trace is written.
    """
    current = list(waiting)
    try:
        while True:
            try:
                outcomes = _try_commit(library, current)
            except Moved:
                current = [_looked_up_again(library, prepared) for prepared in current]
                continue
            if outcomes is not None:
                return outcomes
            first = reserve_run_ids(library, sum(len(p.runs) for p in current))
            for index, prepared in enumerate(current):
                fresh = []
                for record, written in prepared.runs:
                    fresh.append(_renumber(record, written, first))
                    first += 1
                current[index] = replace(prepared, runs=tuple(fresh))
    except OSError as error:
        raise DiskFault.of(error, "Storing") from error
    finally:
        for prepared in current:
            prepared.discard()


def _try_commit(library: Store, waiting: Sequence[PreparedFile]) -> list[IngestOutcome] | None:
    """One try; None where the numbers were taken.

    Raises:
        Moved: A run that grew was packed, changed or deleted meanwhile.
    """
    shorter = [record for p in waiting for record in p.grown.values()]
    replacements = write_without(library, shorter) if shorter else []
    try:
        return _store(library, waiting, replacements)
    finally:
        for replacement in replacements:
            replacement.discard()


def _store(
    library: Store, waiting: Sequence[PreparedFile], replacements: Sequence[Replacement]
) -> list[IngestOutcome] | None:
    layout = library.layout
    with library.catalogue.writer() as cursor:
        made = known_outcomes(cursor, [p.sha256 for p in waiting])
        known = {p.sha256: made.get(p.sha256) or _as_longer(p) for p in waiting}
        fresh = [p for p in waiting if known[p.sha256] is None]
        numbers = [record.facts.run_id for p in fresh for record, _ in p.runs]
        if numbers and are_taken(cursor, numbers):
            return None
        trace_id = next_trace_id(cursor)
        traces: list[dict[str, Any]] = []
        records: list[tuple[RunRecord, int]] = []
        for prepared in fresh:
            for record, written in prepared.runs:
                file = layout.run_file(record.facts.uid)
                durable.place(written.path, layout.absolute(file))
                traces.append(trace_row(trace_id, file, written, is_pack=False))
                records.append((record, trace_id))
                trace_id += 1
        if fresh:
            durable.fsync_folder(layout.runs)
            for prepared in fresh:  # last: where an original lies, all traces of it do
                durable.place(prepared.original_tmp, layout.absolute(str(prepared.original["stored_as"])))
            durable.fsync_folder(layout.originals)
            append_rows(cursor, "original", [p.original for p in fresh])
            append_rows(cursor, "trace_file", traces)
            insert_records(cursor, records)
            _let_stand_back(library, cursor, fresh, replacements)
        loose = rows(cursor, "SELECT count(*) FROM catalogue.trace_file WHERE NOT is_pack")
        library.loose_traces = int(loose[0][0])
        return [known[p.sha256] or _outcome(p) for p in waiting]


def _as_longer(prepared: PreparedFile) -> IngestOutcome | None:
    """The runs of which this file is the beginning, as those that its bytes made."""
    if not prepared.longer:
        return None
    ids = tuple(record.facts.run_id for record in prepared.longer)
    return IngestOutcome(ids, tuple(record.facts.port for record in prepared.longer), already=True, is_beginning=True)


def _let_stand_back(
    library: Store,
    cursor: duckdb.DuckDBPyConnection,
    stored: Sequence[PreparedFile],
    replacements: Sequence[Replacement],
) -> None:
    """Runs of which a longer version is there now make room."""
    changes: list[Change] = []
    gone = [file for replacement in replacements for file in replacement.install(cursor, library)]
    for prepared in stored:
        for record, _ in prepared.runs:
            before = prepared.grown.get(record.facts.uid)
            if before is None:
                continue
            now = load_records(cursor, [before.facts.run_id])[0] if is_there(cursor, before.facts.run_id) else None
            if now != before:
                raise Moved(f"Run {before.facts.run_id} was changed meanwhile.")
            changes += stand_back(cursor, before, record.facts.run_id, record.facts.uid)
    if changes:
        amend(cursor, changes, library.who, "the log was imported again after it grew")
        gone += drop_empty_files(cursor)
        library.catalogue.once_committed(lambda: remove_files(library, gone))


def _looked_up_again(library: Store, prepared: PreparedFile) -> PreparedFile:
    """The same with shorter runs as they are now: packed elsewhere, or gone.

    Raises:
        WrongFact: Facts were corrected meanwhile, with which the longer run's results were not made.
    """
    with library.catalogue.reader() as cursor:
        there = {uid: r.facts.run_id for uid, r in prepared.grown.items() if is_there(cursor, r.facts.run_id)}
        now = {r.facts.run_id: r for r in load_records(cursor, list(there.values()))} if there else {}
    for uid, run_id in there.items():
        if now[run_id].facts != prepared.grown[uid].facts:
            raise WrongFact(f"Run {run_id} was corrected while {prepared.path.name} was read. Import it again.")
    return replace(prepared, grown={uid: now[run_id] for uid, run_id in there.items()})


_MADE = (
    "SELECT source_sha256, run_id, port FROM catalogue.run WHERE source_sha256 IN (SELECT unnest(?::VARCHAR[])) "
    "ORDER BY run_id"
)
_HELD = (
    "WITH RECURSIVE held(source, uid) AS (SELECT source_sha256, unnest(into_uids) FROM catalogue.shelved_run "
    "WHERE source_sha256 IN (SELECT unnest(?::VARCHAR[])) "
    "UNION SELECT held.source, unnest(s.into_uids) FROM catalogue.shelved_run s JOIN held ON s.uid = held.uid) "
    "SELECT DISTINCT held.source, run.run_id, run.port FROM catalogue.run JOIN held USING (uid) ORDER BY run_id"
)
"""Runs that files' bytes were joined into, or grew into."""


def known_outcome(cursor: duckdb.DuckDBPyConnection, sha256: str) -> IngestOutcome | None:
    """The runs that a file's bytes made before; None where they are new."""
    return known_outcomes(cursor, [sha256]).get(sha256)


def known_outcomes(cursor: duckdb.DuckDBPyConnection, hashes: Sequence[str]) -> dict[str, IngestOutcome]:
    """The runs that each file's bytes made before, by its hash; new ones are not in it."""
    made: dict[str, list[tuple[int, str | None]]] = {}
    for sql in (_MADE, _HELD):
        left = [sha256 for sha256 in hashes if sha256 not in made]
        for sha256, run_id, port in rows(cursor, sql, [left]) if left else ():
            made.setdefault(str(sha256), []).append((int(run_id), port if port is None else str(port)))
    return {
        sha256: IngestOutcome(tuple(run for run, _ in runs), tuple(port for _, port in runs), already=True)
        for sha256, runs in made.items()
    }


def _renumber(record: RunRecord, written: WrittenTrace, run_id: int) -> tuple[RunRecord, WrittenTrace]:
    """The same run under another number: its temporary trace is written anew."""
    changed = numbered(record, run_id)
    writer = TraceWriter(durable.new_temporary(written.path.parent, ".parquet"))
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
    durable.remove(written.path, announce=False)
    return changed, fresh


def _contradicted(prepared: PreparedFile, record: RunRecord) -> list[str]:
    """What does not fit of the stated facts, under the run's final number."""
    told = prepared.contradicted.get(record.facts.uid, ())
    return [text.replace(" RUN ", f" {record.facts.run_id} ") for text in told]


def _growth(prepared: PreparedFile, record: RunRecord) -> dict[str, Any]:
    """What is told of a run that takes a shorter one's place."""
    before = prepared.grown.get(record.facts.uid)
    if before is None:
        return {}
    return {"grown_from": before.facts.run_id, "samples_before": before.samples}


def _outcome(prepared: PreparedFile) -> IngestOutcome:
    details = tuple(
        {
            "run_id": record.facts.run_id,
            "port": record.facts.port,
            "channels": list(record.channels),
            "samples": record.samples,
            "span_s": record.duration_s,
            "profile": record.provenance.profile,
            "warnings": [*record.provenance.warnings, *_contradicted(prepared, record)],
            **_growth(prepared, record),
        }
        for record, _ in prepared.runs
    )
    ids = tuple(record.facts.run_id for record, _ in prepared.runs)
    return IngestOutcome(ids, tuple(record.facts.port for record, _ in prepared.runs), already=False, details=details)
