"""A lost or damaged catalogue recreated from the traces' footers and the originals.

What can still be read of the old catalogue (devices, meters, amendments) is kept; the file itself is moved aside.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from store.care.named_files import names_on_disk, unnamed
from store.care.strays import take_in
from store.care.survey import survey
from store.catalogue.connection import Catalogue, locked_engine, rows
from store.catalogue.every_value import read_every_value
from store.catalogue.journal import Journal, Kept, apply_kept, apply_run_facts
from store.catalogue.migrations import LATEST, schema_version
from store.catalogue.run_records import append_rows
from store.catalogue.schema_check import check_objects, expected_tables
from store.core import Store
from store.errors import CatalogueDamaged, DiskFault, NotALibrary
from store.files import durable
from store.opening import write_first_schema
from store.runs.recompute import recompute

__all__ = ["RebuildReport", "facts_back", "rebuild"]

_PORTION = 200
"""Files that are looked at together."""

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


def _is_sound(library: Store) -> bool:
    """True where every value of the catalogue can be read."""
    try:
        with library.catalogue.reader() as cursor:
            check_objects(cursor, library.layout.catalogue, slow=True)
            if schema_version(cursor) == 0:
                return False
            read_every_value(cursor)
    except (CatalogueDamaged, NotALibrary, duckdb.Error):
        return False
    return True


def _move_aside(library: Store) -> Path | None:
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
    aside: Path | None = None
    for path in (library.layout.wal, library.layout.catalogue):
        if path.exists():
            aside = path.with_name(f"{path.name}.damaged-{stamp}")
            durable.place(path, aside)
    return aside


def _salvage(library: Store, damaged: Path) -> list[str]:
    """Copy what can be read of a damaged catalogue into the new one, table by table.

    Only tables whose definition is ours to the letter are read, in an engine that can open nothing else: what another
    program put into the file does not run. A damaged page may end the engine, so each table has one of its own.
    """
    taken = []
    ours = expected_tables(LATEST)
    quoted = str(damaged).replace("'", "''")
    for table in _told_otherwise(library):
        with suppress(duckdb.Error, CatalogueDamaged), locked_engine(damaged) as engine:
            engine.execute(f"ATTACH '{quoted}' AS old (READ_ONLY)")
            sql = (
                "SELECT sql FROM duckdb_tables() "
                "WHERE database_name = 'old' AND schema_name = 'main' AND table_name = ?"
            )
            if engine.execute(sql, [table]).fetchall() != [(ours[table].replace("catalogue.", "old."),)]:
                continue
            found = engine.sql(f"SELECT * FROM old.main.{table}").to_arrow_table().to_pylist()
            with library.catalogue.writer() as cursor:
                if table == "meta":
                    cursor.execute("DELETE FROM catalogue.meta")
                append_rows(cursor, table, found)
            taken.append(table)
    return taken


def _from_journal(library: Store, folder: Path) -> Kept:
    """Bring the tables that the journal tells into the new catalogue, unless what was salvaged is later."""
    kept = Journal(folder).read()
    with library.catalogue.reader() as cursor:
        found = dict(rows(cursor, "SELECT key, value FROM catalogue.meta WHERE key IN ('journal_seq', 'library_uid')"))
    if kept.seq and (int(str(found.get("journal_seq", 0))) <= kept.seq or found.get("library_uid") != kept.library):
        with library.catalogue.writer() as cursor:
            apply_kept(cursor, kept)
    return kept


def facts_back(library: Store, kept: Kept) -> None:
    """Corrected facts of runs, and the results that depend on them."""
    with library.catalogue.writer() as cursor:
        changed = apply_run_facts(cursor, kept.run_facts)
    if changed:
        recompute(library, changed)


def _told_otherwise(library: Store) -> list[str]:
    sql = "SELECT table_name FROM duckdb_tables() WHERE database_name = 'catalogue' ORDER BY table_name"
    with library.catalogue.reader() as cursor:
        return [row[0] for row in rows(cursor, sql) if row[0] not in _MADE_AGAIN]


def rebuild(library: Store, progress: Callable[[int, int], None] | None = None) -> RebuildReport:
    """See `Maintenance.rebuild`."""
    try:
        for folder in library.layout.folders():
            durable.make_folder(folder)
        durable.sweep(library.layout.tmp)
        if _is_sound(library):
            count, unreadable = _take_in_all(library, progress, is_lost=False)
            if count:
                facts_back(library, Journal(library.layout.journal).read())
            return RebuildReport(count, "", (), tuple(unreadable))
        return _rebuild_beside(library, progress)
    except OSError as error:
        raise DiskFault.of(error, "Rebuilding") from error


def _rebuild_beside(library: Store, progress: Callable[[int, int], None] | None) -> RebuildReport:
    """Make the new catalogue under a temporary name: one that holds half the runs must never be taken for whole."""
    layout = library.layout
    fresh = durable.new_temporary(layout.tmp, ".duckdb")
    log = fresh.with_name(fresh.name + ".wal")
    shadow = Store(library.path, who=library.who, catalogue=Catalogue(fresh, log))
    try:
        write_first_schema(shadow)
        salvaged = _salvage(shadow, layout.catalogue) if layout.catalogue.exists() else []
        kept = _from_journal(shadow, layout.journal)
        count, unreadable = _take_in_all(shadow, progress, is_lost=True)
        facts_back(shadow, kept)
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
        durable.remove(fresh.with_name(fresh.name + ".before"), announce=False)
    return RebuildReport(count, aside.name if aside else "", tuple(salvaged), tuple(unreadable))


def _take_in_all(
    library: Store, progress: Callable[[int, int], None] | None, *, is_lost: bool
) -> tuple[int, list[str]]:
    """Every whole trace that the catalogue does not name; the files that could not be taken in, as sentences."""
    with library.catalogue.reader() as cursor:
        traces = (name for name in names_on_disk(library.layout) if not name.startswith("originals/"))
        files = sorted(unnamed(cursor, traces))
    files.sort(key=lambda file: not file.startswith("traces/packs/"))
    count, unreadable = 0, []
    for start in range(0, len(files), _PORTION):
        portion = survey(library, files[start : start + _PORTION], is_lost=is_lost)
        taken, left = take_in(library, portion)
        count += taken
        unreadable += [f"{stray.file} {stray.why}." for stray in left]
        if progress:
            progress(min(start + _PORTION, len(files)), len(files))
    return count, unreadable
