"""A lost or damaged catalogue made again from the traces' footers and the originals.

What can still be read of the old catalogue (devices, meters, amendments) is kept; the file itself is moved aside.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from store.care import packs
from store.care.verify import unpack_original
from store.catalogue.connection import Catalogue, rows
from store.catalogue.migrations import schema_version
from store.catalogue.numbers import next_trace_id, trace_row
from store.catalogue.run_records import RunRecord, append_rows, insert_records
from store.errors import CatalogueDamaged, DiskFault, NotALibrary, StoreError, TraceDamaged
from store.files import durable
from store.files.traces import WrittenTrace
from store.words.clock import to_stored

if TYPE_CHECKING:
    from store.library import Library

__all__ = ["RebuildReport", "rebuild"]

_MADE_AGAIN = ("run", "result", "event", "preview", "trace_file", "original", "schema_history")
"""Tables that traces and originals tell again, or that a new catalogue has by itself; all others are taken over."""


@dataclass(frozen=True, slots=True)
class RebuildReport:
    """What rebuilding did."""

    runs: int
    """Runs that are in the catalogue again."""
    moved_aside: str
    """The damaged catalogue's new name; empty where it could be kept."""
    salvaged: tuple[str, ...]
    """Tables that could be taken over from it."""
    unreadable: tuple[str, ...]
    """Sentences about traces that could not be taken in."""


def _is_sound(library: Library) -> bool:
    """True where every value of the catalogue can be read."""
    try:
        with library.catalogue.reader() as cursor:
            if schema_version(cursor) == 0:
                return False
            for (table,) in rows(cursor, "SELECT table_name FROM duckdb_tables() WHERE database_name = 'catalogue'"):
                cursor.execute(f"SELECT bit_xor(hash(t)) FROM catalogue.{table} t").fetchall()
    except (CatalogueDamaged, NotALibrary, duckdb.Error):
        return False
    return True


def _move_aside(library: Library) -> Path | None:
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
    aside: Path | None = None
    for path in (library.layout.wal, library.layout.catalogue):
        if path.exists():
            aside = path.with_name(f"{path.name}.damaged-{stamp}")
            durable.place(path, aside)
    return aside


def _salvage(library: Library, damaged: Path) -> list[str]:
    """Copy what can be read of a damaged catalogue into the new one, table by table."""
    taken = []
    engine = duckdb.connect(":memory:")
    try:
        with suppress(duckdb.Error):
            quoted = str(damaged).replace("'", "''")
            engine.execute(f"ATTACH '{quoted}' AS old (READ_ONLY)")
            for table in _told_otherwise(library):
                with suppress(duckdb.Error):
                    found = engine.sql(f"SELECT * FROM old.{table}").to_arrow_table().to_pylist()
                    with library.catalogue.writer() as cursor:
                        if table == "meta":
                            cursor.execute("DELETE FROM catalogue.meta")
                        append_rows(cursor, table, found)
                    taken.append(table)
    finally:
        engine.close()
    return taken


def _told_otherwise(library: Library) -> list[str]:
    sql = "SELECT table_name FROM duckdb_tables() WHERE database_name = 'catalogue' ORDER BY table_name"
    with library.catalogue.reader() as cursor:
        return [row[0] for row in rows(cursor, sql) if row[0] not in _MADE_AGAIN]


def rebuild(library: Library, progress: Callable[[int, int], None] | None = None) -> RebuildReport:
    """See `Library.rebuild`."""
    try:
        for folder in library.layout.folders():
            durable.make_folder(folder)
        durable.sweep(library.layout.tmp)
        if _is_sound(library):
            count, unreadable = _take_in_all(library, progress)
            return RebuildReport(count, "", (), tuple(unreadable))
        return _rebuild_beside(library, progress)
    except OSError as error:
        raise DiskFault.of(error, "Rebuilding") from error


def _rebuild_beside(library: Library, progress: Callable[[int, int], None] | None) -> RebuildReport:
    """Make the new catalogue under a temporary name: one that holds half the runs must never be taken for whole."""
    layout = library.layout
    fresh = durable.new_temporary(layout.tmp, ".duckdb")
    log = fresh.with_name(fresh.name + ".wal")
    shadow = type(library)(library.path, who=library.who, catalogue=Catalogue(fresh, log))
    try:
        shadow.write_first_schema()
        salvaged = _salvage(shadow, layout.catalogue) if layout.catalogue.exists() else []
        count, unreadable = _take_in_all(shadow, progress)
        shadow.catalogue.fold_in()  # only the file is placed: what stands in its log would be lost
        with fresh.open("rb+") as file:
            durable.step("fsync", fresh)
            os.fsync(file.fileno())
        aside = _move_aside(library)
        durable.place(fresh, layout.catalogue)
        durable.fsync_folder(layout.root)
    finally:
        durable.remove(fresh, announce=False)
        durable.remove(log, announce=False)
    return RebuildReport(count, aside.name if aside else "", tuple(salvaged), tuple(unreadable))


def _unnamed(library: Library) -> list[str]:
    layout = library.layout
    on_disk = sorted(
        path.relative_to(layout.root).as_posix()
        for folder in (layout.packs, layout.runs)
        for path in folder.glob("*.parquet")
    )
    with library.catalogue.reader() as cursor:
        named = {row[0] for row in rows(cursor, "SELECT file FROM catalogue.trace_file")}
    return [file for file in on_disk if file not in named]


def _take_in_all(library: Library, progress: Callable[[int, int], None] | None) -> tuple[int, list[str]]:
    files = _unnamed(library)
    bench = library.bench()
    portion: list[tuple[str, WrittenTrace, list[RunRecord]]] = []
    count, unreadable = 0, []
    for number, file in enumerate(files, 1):
        path = library.layout.absolute(file)
        try:
            sha256 = durable.hash_file(path)
            records = packs.pack_records(path, file, sha256)
            with library.catalogue.reader() as cursor:
                known = _known(cursor, records)
            if known:
                continue  # left over from packing: the runs lie in another file
            records = packs.reduce_pack(path, records, bench)
            written = WrittenTrace(path, sha256, path.stat().st_size, sum(r.samples for r in records))
            portion.append((file, written, records))
        except (TraceDamaged, OSError) as error:
            unreadable.append(str(error))
        if len(portion) >= 200 or (portion and number == len(files)):
            count += _store(library, portion)
            portion = []
        if progress:
            progress(number, len(files))
    if portion:
        count += _store(library, portion)
    return count, unreadable


def _known(cursor: duckdb.DuckDBPyConnection, records: Sequence[RunRecord]) -> bool:
    """True where a run of these, or its number, is in the catalogue, or was deleted."""
    values = [[r.facts.uid for r in records], [r.facts.run_id for r in records]]
    sql = (
        "SELECT 1 FROM (SELECT uid, run_id FROM catalogue.run UNION ALL SELECT uid, run_id FROM catalogue.tombstone) "
        "WHERE uid IN (SELECT unnest(?::VARCHAR[])) OR run_id IN (SELECT unnest(?::BIGINT[])) LIMIT 1"
    )
    return bool(rows(cursor, sql, values))


def _store(library: Library, portion: Sequence[tuple[str, WrittenTrace, list[RunRecord]]]) -> int:
    count = 0
    with library.catalogue.writer() as cursor:
        library.check_schema(cursor)
        trace_id = next_trace_id(cursor)
        for file, written, records in portion:
            if _known(cursor, records):
                continue
            append_rows(
                cursor, "trace_file", [trace_row(trace_id, file, written, is_pack=file.startswith("traces/packs/"))]
            )
            insert_records(cursor, [(record, trace_id) for record in records])
            _restore_originals(cursor, library, records)
            trace_id += 1
            count += len(records)
    return count


def _restore_originals(cursor: duckdb.DuckDBPyConnection, library: Library, records: Sequence[RunRecord]) -> None:
    made: list[dict[str, Any]] = []
    for record in records:
        sha256 = record.provenance.source_sha256
        if not sha256 or any(row["sha256"] == sha256 for row in made):
            continue
        if rows(cursor, "SELECT 1 FROM catalogue.original WHERE sha256 = ?", [sha256]):
            continue
        stored_as = library.layout.original_file(sha256, record.provenance.source_file)
        path = library.layout.absolute(stored_as)
        if path.is_file():
            made.append(_original_row(record, stored_as, path))
    append_rows(cursor, "original", made)


def _original_row(record: RunRecord, stored_as: str, path: Path) -> dict[str, Any]:
    p = record.provenance
    size = p.source_bytes
    with suppress(StoreError, OSError):
        size = sum(len(block) for block in unpack_original(path))
    return {
        "sha256": p.source_sha256,
        "file_name": p.source_file,
        "bytes": size,
        "stored_as": stored_as,
        "stored_sha256": durable.hash_file(path),
        "stored_bytes": path.stat().st_size,
        "imported_at": to_stored(p.imported_at),
        "imported_by": p.imported_by,
        "program_version": p.program_version,
        "profile": p.profile,
        "profile_text": p.profile_text,
        "account": json.dumps(asdict(p.account)),
        "problems": "[]",
    }
