"""Files that lie in a library and that its catalogue does not name: taken in, or moved to `set_aside/` with a reason.

Nothing here removes a file. Whose a run is, its `uid` tells: numbers collide between two benches, and between a
catalogue and an older copy of it. Knows files and the catalogue; no export.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import pyarrow as pa

from store.care import packs
from store.care.named_files import unnamed
from store.care.survey import Stray, cause_of, survey
from store.catalogue.connection import rows
from store.catalogue.numbers import next_run_id, next_trace_id, note_trace_ids, trace_row
from store.catalogue.run_records import RunRecord, append_rows, footer_entry, insert_records, numbered
from store.catalogue.shelved import settle
from store.devices.bench import load_bench
from store.errors import TraceDamaged
from store.files import durable
from store.files.traces import TraceWriter, WrittenTrace
from store.runs.recompute import shelved_record

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["place_pack", "set_aside", "take_in"]

_WHY = "why.tsv"


def place_pack(library: Store, pack: Path, progress: Callable[[int, int], None] | None = None) -> int:
    """Put a pack into a library as it is, byte for byte, as the demo's are.

    Args:
        library: The library.
        pack: The file.
        progress: Told how many runs of how many are worked out.

    Returns:
        How many runs came.

    Raises:
        TraceDamaged: It is no pack, or its runs are there already.
        OSError: The disk refused.
    """
    with library.catalogue.reader() as cursor:
        file = library.layout.pack_file(next_trace_id(cursor))
    with durable.HashingFile(library.layout.absolute(file)) as target:
        durable.copy_to(pack, target)
        target.commit()
    count, left = take_in(library, survey(library, [file], is_lost=True), progress)
    if left:
        set_aside(library, left)
        raise TraceDamaged(f"{pack} {left[0].why}.")
    return count


def take_in(
    library: Store, strays: Sequence[Stray], progress: Callable[[int, int], None] | None = None
) -> tuple[int, list[Stray]]:
    """Bring runs of stray files into the catalogue, under new numbers where theirs are taken.

    Args:
        library: The library.
        strays: The files.
        progress: Told how many runs of how many of a file are worked out.

    Returns:
        How many runs are in the catalogue now that were not, or whose file was missing; and the files that are no
        longer needed, with the reason, to be set aside.
    """
    bench = load_bench(library)
    count = 0
    left: list[Stray] = []
    for stray in strays:
        if not stray.wanted:
            left.append(stray)
            continue
        try:
            path = library.layout.absolute(stray.file)
            records = packs.reduce_pack(path, list(stray.wanted), bench, progress)
            count += _store(library, stray, path, records)
        except (TraceDamaged, OSError, ValueError, pa.ArrowException) as error:
            left.append(replace(stray, wanted=(), why=f"can't be read as a trace ({cause_of(error)})"))
            continue
        if not stray.is_whole:
            left.append(replace(stray, wanted=(), why="is a further copy: what the library lacked of it was taken in"))
    return count, left


def _store(library: Store, stray: Stray, path: Path, records: Sequence[RunRecord]) -> int:
    size = path.stat().st_size
    written = WrittenTrace(path, stray.sha256, size, sum(record.samples for record in records))
    if stray.is_whole:
        with library.catalogue.writer() as cursor:
            _insert(cursor, library, stray.file, written, records)
        return len(records)
    with library.catalogue.reader() as cursor:
        renumbered = _numbered(cursor, records)
    writer = TraceWriter(durable.new_temporary(library.layout.tmp, ".parquet"))
    try:
        placed = []
        for record, table in packs.renumbered_pieces(path, renumbered, [r.facts.run_id for r in records]):
            placed.append(replace(record, first_row=writer.samples))
            writer.write(table, whole=True)
        fresh = writer.finish([footer_entry(record) for record in placed])
    except BaseException:
        writer.abandon()
        raise
    try:
        with library.catalogue.writer() as cursor:
            if [r.facts.run_id for r in _numbered(cursor, records)] != [r.facts.run_id for r in renumbered]:
                raise TraceDamaged("its numbers were taken meanwhile, run the same command again")
            file = library.layout.pack_file(next_trace_id(cursor))
            durable.place(fresh.path, library.layout.absolute(file))
            durable.fsync_folder(library.layout.packs)
            _insert(cursor, library, file, fresh, placed)
    finally:
        durable.remove(fresh.path, announce=False)
    return len(placed)


def _numbered(cursor: duckdb.DuckDBPyConnection, records: Sequence[RunRecord]) -> list[RunRecord]:
    """The records under the numbers that they have here: those of known runs, their own where free, else new ones."""
    uids = [record.facts.uid for record in records]
    sql = "SELECT uid, run_id FROM catalogue.run WHERE uid IN (SELECT unnest(?::VARCHAR[]))"
    here: dict[str, int] = {str(uid): int(run_id) for uid, run_id in rows(cursor, sql, [uids])}
    sql = (
        "SELECT run_id FROM (SELECT run_id FROM catalogue.run UNION ALL SELECT run_id FROM catalogue.tombstone "
        "UNION ALL SELECT run_id FROM catalogue.shelved_run) "
        "WHERE run_id IN (SELECT unnest(?::BIGINT[]))"
    )
    taken = {int(row[0]) for row in rows(cursor, sql, [[record.facts.run_id for record in records]])}
    following = max(next_run_id(cursor), max(record.facts.run_id for record in records) + 1)
    found = []
    for record in records:
        number = here.get(record.facts.uid)
        if number is None and record.facts.run_id > 0 and record.facts.run_id not in taken:
            number = record.facts.run_id
        if number is None:
            number, following = following, following + 1
        taken.add(number)
        found.append(record if number == record.facts.run_id else numbered(record, number))
    return found


def _insert(
    cursor: duckdb.DuckDBPyConnection,
    library: Store,
    file: str,
    written: WrittenTrace,
    records: Sequence[RunRecord],
) -> None:
    """Rows of a file and of its runs; runs that are known get their new place and keep all else."""
    uids = [record.facts.uid for record in records]
    sql = "SELECT uid FROM catalogue.run WHERE uid IN (SELECT unnest(?::VARCHAR[]))"
    here = {str(row[0]) for row in rows(cursor, sql, [uids])}
    trace_id = next_trace_id(cursor)
    append_rows(cursor, "trace_file", [trace_row(trace_id, file, written, is_pack=file.startswith("traces/packs/"))])
    for record in records:
        if record.facts.uid in here:
            cursor.execute(
                "UPDATE catalogue.run SET trace_id = ?, first_row = ? WHERE uid = ?",
                [trace_id, record.first_row, record.facts.uid],
            )
    fresh = _regrouped(cursor, [record for record in records if record.facts.uid not in here], uids)
    insert_records(cursor, [(record, trace_id) for record in fresh])
    restore_originals(cursor, library, fresh)
    settle(cursor)
    drop_empty_files(cursor)


def _regrouped(cursor: duckdb.DuckDBPyConnection, fresh: list[RunRecord], uids: Sequence[str]) -> list[RunRecord]:
    """Runs that come in keep their groups among themselves, under numbers that no other runs' group has."""
    sql = "SELECT DISTINCT group_id FROM catalogue.run WHERE group_id IS NOT NULL AND uid NOT IN (SELECT unnest(?))"
    used = {int(row[0]) for row in rows(cursor, sql, [list(uids)])}
    groups = sorted({r.facts.group_id for r in fresh if r.facts.group_id is not None})
    following = max([*used, *groups], default=0) + 1
    number: dict[int | None, int | None] = {None: None}
    for group in groups:
        number[group] = group
        if group in used:
            number[group], following = following, following + 1
    return [replace(r, facts=replace(r.facts, group_id=number[r.facts.group_id])) for r in fresh]


def drop_empty_files(cursor: duckdb.DuckDBPyConnection) -> list[str]:
    """Take rows of trace files away that no run lies in; the files themselves stay.

    Returns:
        Their names.
    """
    unused = "NOT EXISTS (SELECT 1 FROM catalogue.run WHERE run.trace_id = trace_file.trace_id)"
    gone = [str(row[0]) for row in rows(cursor, f"SELECT file FROM catalogue.trace_file WHERE {unused}")]
    if gone:
        note_trace_ids(cursor)
        cursor.execute(f"DELETE FROM catalogue.trace_file WHERE {unused}")
    return gone


def restore_originals(cursor: duckdb.DuckDBPyConnection, library: Store, records: Sequence[RunRecord]) -> None:
    """Rows of the originals that runs were read from, where those lie whole on the disk."""
    made: list[dict[str, Any]] = []
    hidden = [shelved_record(library.layout, item) for record in records for item in record.shelved]
    for record in [*records, *hidden]:
        sha256 = record.provenance.source_sha256
        if not sha256 or any(row["sha256"] == sha256 for row in made):
            continue
        if rows(cursor, "SELECT 1 FROM catalogue.original WHERE sha256 = ?", [sha256]):
            continue
        row = packs.original_row(library.layout, record)
        if row is not None:
            made.append(row)
    append_rows(cursor, "original", made)


def set_aside(library: Store, strays: Iterable[Stray]) -> list[str]:
    """Move files to `set_aside/`, each with a line of why in `set_aside/why.tsv`; as the one writer.

    A file that the catalogue names meanwhile stays where it is.

    Returns:
        The names of those that were moved, relative to the library.
    """
    waiting = list(strays)
    if not waiting:
        return []
    moved: list[str] = []
    with library.catalogue.writer() as cursor:
        loose = unnamed(cursor, (stray.file for stray in waiting))
        durable.make_folder(library.layout.set_aside)
        for stray in waiting:
            source = library.layout.entry(stray.file)
            if stray.file not in loose or source is None or not os.path.lexists(source):
                continue
            _note(library, stray, _move(source, library.layout.set_aside))
            moved.append(stray.file)
        for folder in (library.layout.runs, library.layout.packs, library.layout.originals, library.layout.set_aside):
            durable.fsync_folder(folder)
    return moved


def _move(source: Path, folder: Path) -> Path:
    target = folder / source.name
    number = 1
    while os.path.lexists(target):
        number += 1
        target = folder / f"{source.stem}-{number}{source.suffix}"
    durable.place(source, target)
    return target


def _note(library: Store, stray: Stray, target: Path) -> None:
    line = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}\t{target.name}\t{stray.file}\t{stray.why}\n"
    with (library.layout.set_aside / _WHY).open("a", encoding="utf-8") as file:
        file.write(line)
        file.flush()
        os.fsync(file.fileno())
