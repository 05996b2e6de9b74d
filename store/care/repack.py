"""Trace files merged and rewritten: loose runs into packs, packs without what was deleted.

The new file is written with nothing held, from sources whose hash is checked; one transaction puts it in their place;
then they are removed. Killed before, the old files count; after, `verify` names what is left over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa

from importers.schema import TRACE_COLUMNS
from store.care.packs import pieces
from store.catalogue.connection import rows
from store.catalogue.numbers import next_trace_id, note_trace_ids, trace_row
from store.catalogue.run_records import RunRecord, append_rows, footer_entry
from store.errors import DiskFault, StoreError, TraceDamaged
from store.files import durable
from store.files.traces import TraceWriter, WrittenTrace, read_samples
from store.runs.recompute import load_records

if TYPE_CHECKING:
    from store.core import Store

__all__ = [
    "LOOSE_LIMIT",
    "Moved",
    "PackReport",
    "Replacement",
    "pack",
    "remove_files",
    "write_merged",
    "write_without",
]

LOOSE_LIMIT = 500
"""An import packs by itself when more traces than this are loose."""

PACK_SAMPLES = 25_000_000
"""A pack is closed at this many samples: some hundred megabytes, of which other engines like files to be."""


class Moved(StoreError):  # noqa: N818 - named like the others of its family
    """Another process moved or changed these runs meanwhile; look again."""


@dataclass(frozen=True, slots=True)
class PackReport:
    """What packing did."""

    runs: int
    packs: tuple[str, ...]
    """New packs, relative to the library."""
    damaged: tuple[str, ...]
    """Trace files left as they are because their bytes aren't what the catalogue says."""


@dataclass(frozen=True, slots=True)
class Replacement:
    """A new pack, finished under its temporary name, and the runs that move into it."""

    written: WrittenTrace
    before: tuple[RunRecord, ...]
    """The runs as they lie now."""
    after: tuple[RunRecord, ...]
    """The same with their rows in the new file."""

    def discard(self) -> None:
        """Remove the temporary, if it is still one."""
        durable.remove(self.written.path, announce=False)

    def install(self, cursor: duckdb.DuckDBPyConnection, library: Store) -> list[str]:
        """Put the pack in the place of its sources.

        Returns:
            Files that nothing points to any more; to be removed after the commit.

        Raises:
            Moved: A run has moved, changed or gone since it was read.
        """
        ids = [record.facts.run_id for record in self.before]
        sql = "SELECT count(*) FROM catalogue.run WHERE run_id IN (SELECT unnest(?::BIGINT[]))"
        if rows(cursor, sql, [ids]) != [(len(ids),)]:
            raise Moved("Runs were deleted while they were packed.")
        now = {record.facts.run_id: record for record in load_records(cursor, ids)}
        if any(now[record.facts.run_id] != record for record in self.before):
            raise Moved("Runs were changed while they were packed.")
        old = rows(
            cursor,
            "SELECT DISTINCT trace_id, file FROM catalogue.run JOIN catalogue.trace_file USING (trace_id) "
            "WHERE run_id IN (SELECT unnest(?::BIGINT[]))",
            [ids],
        )
        trace_id = next_trace_id(cursor)
        file = library.layout.pack_file(trace_id)
        durable.place(self.written.path, library.layout.absolute(file))
        durable.fsync_folder(library.layout.packs)
        append_rows(cursor, "trace_file", [trace_row(trace_id, file, self.written, is_pack=True)])
        places = [{"run_id": r.facts.run_id, "trace_id": trace_id, "first_row": r.first_row} for r in self.after]
        cursor.register("incoming", pa.Table.from_pylist(places))
        cursor.execute(
            "UPDATE catalogue.run SET trace_id = incoming.trace_id, first_row = incoming.first_row "
            "FROM incoming WHERE run.run_id = incoming.run_id"
        )
        cursor.unregister("incoming")
        note_trace_ids(cursor)
        ids = [old_id for old_id, _ in old]
        sql = "SELECT DISTINCT trace_id FROM catalogue.run WHERE trace_id IN (SELECT unnest(?::BIGINT[]))"
        used = {used_id for (used_id,) in rows(cursor, sql, [ids])}
        empty = [old_id for old_id in ids if old_id not in used]
        cursor.execute("DELETE FROM catalogue.trace_file WHERE trace_id IN (SELECT unnest(?::BIGINT[]))", [empty])
        return [str(old_file) for old_id, old_file in old if old_id not in used]


def _tables(library: Store, records: Sequence[RunRecord]) -> Iterator[tuple[RunRecord, Iterator[pa.Table]]]:
    """Samples of runs in order of run_id, from whatever files they lie in."""
    ordered = sorted(records, key=lambda r: r.facts.run_id)
    for file, group in groupby(ordered, key=lambda r: r.provenance.trace_file):
        path = library.layout.absolute(file)
        for record, piece in pieces(path, list(group)):
            if piece is not None:
                yield record, iter((piece,))
            else:
                yield record, read_samples(path, record.first_row, record.samples, TRACE_COLUMNS)


def write_merged(library: Store, records: Sequence[RunRecord]) -> Replacement:
    """Write runs as one new pack under a temporary name.

    Raises:
        TraceDamaged: A source isn't what the catalogue says.
        OSError: The disk refused.
    """
    writer = TraceWriter(durable.new_temporary(library.layout.tmp, ".parquet"))
    after: list[RunRecord] = []
    try:
        for record, tables in _tables(library, records):
            after.append(replace(record, first_row=writer.samples))
            for table in tables:
                writer.write(table, whole=True)
        written = writer.finish([footer_entry(record) for record in after])
    except BaseException:
        writer.abandon()
        raise
    return Replacement(written, tuple(records), tuple(after))


def write_without(library: Store, deleted: Sequence[RunRecord]) -> list[Replacement]:
    """For every file that holds other runs beside the deleted ones: a new pack of those others."""
    ids = {record.facts.run_id for record in deleted}
    files = sorted({record.provenance.trace_file for record in deleted})
    with library.catalogue.reader() as cursor:
        sql = (
            "SELECT run_id FROM catalogue.run JOIN catalogue.trace_file USING (trace_id) "
            "WHERE file IN (SELECT unnest(?::VARCHAR[])) ORDER BY run_id"
        )
        others = [int(row[0]) for row in rows(cursor, sql, [files])]
        staying = load_records(cursor, [run_id for run_id in others if run_id not in ids])
    made: list[Replacement] = []
    try:
        for file in files:
            rest = [record for record in staying if record.provenance.trace_file == file]
            if rest:
                check_hash(library, rest[0])
                made.append(write_merged(library, rest))
    except BaseException:
        for replacement in made:
            replacement.discard()
        raise
    return made


def check_hash(library: Store, record: RunRecord) -> None:
    """Compare a trace file with the catalogue's hash.

    Raises:
        TraceDamaged: It differs, or is missing.
    """
    path = library.layout.absolute(record.provenance.trace_file)
    try:
        found = durable.hash_file(path)
    except FileNotFoundError as error:
        raise TraceDamaged(f"{path} is missing. Run `joulebook verify`.") from error
    if found != record.provenance.trace_sha256:
        raise TraceDamaged(f"{path} is not what was written: its SHA-256 differs. Run `joulebook verify`.")


SMALL_PACKS = 8
"""So many small packs are merged when an import packs: merged each time, a run of many was written anew each time."""


def pack(
    library: Store,
    *,
    at_least: int = 2,
    small_packs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> PackReport:
    """Merge loose traces, and packs that are small, into packs.

    Args:
        library: The library.
        at_least: Leave it where fewer traces are loose.
        small_packs: Leave packs that are small as they are where there are fewer.
        progress: Told how many samples of how many are written.

    Raises:
        DiskFault: The disk refused; the old files count.
    """
    with library.catalogue.reader() as cursor:
        loose = rows(cursor, "SELECT count(*) FROM catalogue.trace_file WHERE NOT is_pack")
        if int(loose[0][0]) < at_least:
            return PackReport(0, (), ())
        small = PACK_SAMPLES // 10
        count = rows(cursor, "SELECT count(*) FROM catalogue.trace_file WHERE is_pack AND samples < ?", [small])
        sql = (
            "SELECT run_id FROM catalogue.run JOIN catalogue.trace_file t USING (trace_id) "
            "WHERE NOT t.is_pack OR t.samples < ? ORDER BY run_id"
        )
        ids = [int(row[0]) for row in rows(cursor, sql, [small if int(count[0][0]) >= small_packs else -1])]
        records = load_records(cursor, ids)
    damaged: set[str] = set()
    for file, group in groupby(records, key=lambda r: r.provenance.trace_file):
        try:
            check_hash(library, next(group))
        except TraceDamaged:
            damaged.add(file)
    whole = sorted((r for r in records if r.provenance.trace_file not in damaged), key=lambda r: r.facts.run_id)
    total, done, packed = sum(r.samples for r in whole), 0, 0
    names: list[str] = []
    try:
        for portion in _portions(whole):
            names += _pack_portion(library, portion)
            done += sum(r.samples for r in portion)
            packed += len(portion)
            if progress:
                progress(done, total)
    except Moved:
        pass  # somebody else packs or edits; what is loose stays so until the next time
    except OSError as error:
        raise DiskFault.of(error, "Packing") from error
    return PackReport(packed, tuple(names), tuple(sorted(damaged)))


def pack_if_loose(library: Store) -> None:
    """Pack when too many traces are loose; what was imported is safe whatever becomes of that."""
    if library.loose_traces > LOOSE_LIMIT:
        try:
            pack(library, small_packs=SMALL_PACKS)
        except StoreError as error:
            library.notices.append(f"Packing was put off: {error}")


def remove_files(library: Store, files: Sequence[str]) -> None:
    """Remove files whose runs a commit has just moved or deleted; still as the one writer, so that nobody sees them.

    Given to `Catalogue.once_committed`. What can't be removed is left over, and `verify` names it.
    """
    for file in files:
        with suppress(OSError, StoreError):
            durable.remove(library.layout.absolute(file))


def _portions(records: Sequence[RunRecord]) -> Iterator[list[RunRecord]]:
    portion: list[RunRecord] = []
    samples = 0
    for record in records:
        if portion and samples + record.samples > PACK_SAMPLES:
            yield portion
            portion, samples = [], 0
        portion.append(record)
        samples += record.samples
    if portion:
        yield portion


def _pack_portion(library: Store, records: list[RunRecord]) -> list[str]:
    in_file_order = sorted(records, key=lambda r: (r.provenance.trace_file, r.first_row))
    replacement = write_merged(library, in_file_order)
    try:
        with library.catalogue.writer() as cursor:
            gone = replacement.install(cursor, library)
            name = library.layout.pack_file(next_trace_id(cursor) - 1)
            library.catalogue.once_committed(lambda: remove_files(library, gone))
    finally:
        replacement.discard()
    return [name]
