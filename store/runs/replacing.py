"""Runs that take the place of others in one step: new traces written with nothing held, one transaction for the rest.

What stood before is hashed first, and the step is refused where anybody changed it meanwhile. Knows records, trace
files and the catalogue's tables; not why runs are replaced.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import duckdb
import pyarrow as pa

from importers.schema import TRACE_COLUMNS
from store.care.packs import reduce_pack
from store.care.repack import Moved, Replacement, check_hash, remove_files, write_without
from store.care.strays import drop_empty_files
from store.catalogue.amendments import Change, amend
from store.catalogue.numbers import next_trace_id, trace_row
from store.catalogue.run_records import RunRecord, append_rows, footer_entry, insert_records
from store.catalogue.shelved import (
    Shelved,
    drop_runs,
    put_back,
)
from store.devices.bench import load_bench
from store.errors import NotFound
from store.files import durable
from store.files.traces import TraceWriter, WrittenTrace, moved_table, read_samples
from store.runs.edits import drop_lonely_originals
from store.runs.recompute import load_records
from store.words.clock import now_utc, to_stored

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["Made", "replace_runs", "run_gone", "tombstone"]


@dataclass(frozen=True, slots=True)
class Made:
    """A run in the making and the samples it gets."""

    record: RunRecord
    pieces: tuple[tuple[RunRecord, int, int, float], ...]
    """Of which runs: first sample, count, and seconds to add."""


def run_gone(cursor: duckdb.DuckDBPyConnection, records: Sequence[RunRecord], who: str, reason: str) -> None:
    """Rows of runs that are dissolved go; a tombstone keeps their numbers."""
    append_rows(cursor, "tombstone", [tombstone(record, who, reason) for record in records])
    drop_runs(cursor, [record.facts.run_id for record in records])


def tombstone(record: RunRecord, who: str, reason: str) -> dict[str, Any]:
    """What stays of a run that is gone: a row of the table `tombstone`."""
    return {
        "run_id": record.facts.run_id,
        "uid": record.facts.uid,
        "source_sha256": record.provenance.source_sha256,
        "source_file": record.provenance.source_file,
        "part": record.provenance.part,
        "device": record.facts.device,
        "kind": record.facts.kind,
        "samples": record.samples,
        "facts": json.dumps(asdict(record.facts), default=str, ensure_ascii=False),
        "deleted_at": to_stored(now_utc()),
        "who": who,
        "reason": reason,
    }


def _count_amendment(cursor: duckdb.DuckDBPyConnection, run_id: int) -> None:
    cursor.execute("UPDATE catalogue.run SET amendment_count = amendment_count + 1 WHERE run_id = ?", [run_id])


def replace_runs(
    library: Store,
    before: Sequence[RunRecord],
    made: Sequence[Made],
    back: Sequence[tuple[Made, Shelved]],
    stand_back: Callable[[duckdb.DuckDBPyConnection], list[Change]],
    *,
    who: str,
    reason: str,
) -> None:
    """Put runs in the place of others: new ones with results of their own, those that stood back as they were.

    Raises:
        Moved: Somebody changed one of the runs meanwhile.
    """
    for record in before:
        check_hash(library, record)
    written: list[tuple[RunRecord, WrittenTrace]] = []
    replacements: list[Replacement] = []
    try:
        for item in made:
            file = _write(library, item)
            written.append((item.record, file))
            written[-1] = (reduce_pack(file.path, [item.record], load_bench(library))[0], file)
        returned = [(shelved, _write(library, item)) for item, shelved in back]
        written += [(item.record, file) for (item, _), (_, file) in zip(back, returned, strict=True)]
        replacements = write_without(library, before)
        with library.catalogue.writer() as cursor:
            _check_unchanged(cursor, before)
            trace_id = next_trace_id(cursor)
            places = []
            for record, file in written:
                durable.place(file.path, library.layout.absolute(record.provenance.trace_file))
                row = trace_row(trace_id, record.provenance.trace_file, file, is_pack=False)
                append_rows(cursor, "trace_file", [row])
                places.append(trace_id)
                trace_id += 1
            durable.fsync_folder(library.layout.runs)
            gone = [name for replacement in replacements for name in replacement.install(cursor, library)]
            changes = stand_back(cursor)
            insert_records(cursor, [(r, p) for (r, _), p in zip(written[: len(made)], places, strict=False)])
            for (_, shelved), place in zip(back, places[len(made) :], strict=True):
                put_back(cursor, shelved, place, 0)
                _count_amendment(cursor, shelved.run_id)
            for record, _ in written[: len(made)]:
                _count_amendment(cursor, record.facts.run_id)
            amend(cursor, changes, who, reason)
            gone += drop_empty_files(cursor)
            gone += drop_lonely_originals(cursor, [record.provenance.source_sha256 for record in before])
            kept = {record.provenance.trace_file for record, _ in written}
            library.catalogue.once_committed(lambda: remove_files(library, [name for name in gone if name not in kept]))
    finally:
        for _, file in written:
            durable.remove(file.path, announce=False)
        for replacement in replacements:
            replacement.discard()


def _check_unchanged(cursor: duckdb.DuckDBPyConnection, before: Sequence[RunRecord]) -> None:
    ids = [record.facts.run_id for record in before]
    try:
        now = {record.facts.run_id: record for record in load_records(cursor, ids)}
    except NotFound as error:
        raise Moved(str(error)) from error
    if any(now[record.facts.run_id] != record for record in before):
        raise Moved("Runs were changed meanwhile.")


def _write(library: Store, item: Made) -> WrittenTrace:
    """The samples of a run in the making under a temporary name, with its footer."""
    writer = TraceWriter(durable.new_temporary(library.layout.tmp, ".parquet"))
    try:
        for table in _samples(library, item):
            writer.write(table)
        return writer.finish([footer_entry(item.record)])
    except BaseException:
        writer.abandon()
        raise


def _samples(library: Store, item: Made) -> Iterator[pa.Table]:
    for source, row, count, add_s in item.pieces:
        path = library.layout.absolute(source.provenance.trace_file)
        for table in read_samples(path, source.first_row + row, count, TRACE_COLUMNS):
            yield moved_table(table, item.record.facts.run_id, add_s)
