"""Files that lie in a library and that its catalogue does not name: taken in, or moved to `set_aside/` with a reason.

Nothing here removes a file. Whose a run is, its `uid` tells: numbers collide between two benches, and between a
catalogue and an older copy of it. Knows files and the catalogue; no export.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import pyarrow as pa

from store.care import packs
from store.catalogue.connection import rows
from store.catalogue.numbers import next_run_id, next_trace_id, note_trace_ids, trace_row
from store.catalogue.run_records import RunRecord, append_rows, footer_entry, insert_records, numbered
from store.catalogue.shelved import find_shelved, settle
from store.errors import StoreError, TraceDamaged, UnsafePath
from store.files import durable
from store.files.originals import original_hash
from store.files.traces import TraceWriter, WrittenTrace
from store.runs.recompute import shelved_record

if TYPE_CHECKING:
    from store.library import Library

__all__ = ["Stray", "known_runs", "names_on_disk", "set_aside", "survey", "take_in"]

_ORIGINAL = re.compile(r"originals/(?P<sha256>[0-9a-f]{64})\.[A-Za-z0-9.]{1,16}", re.ASCII)
_WHY = "why.tsv"


@dataclass(frozen=True, slots=True)
class Stray:
    """A file that the catalogue does not name."""

    file: str
    """Relative to the library."""
    wanted: tuple[RunRecord, ...]
    """Runs in it that the library lacks, or whose own file is missing or damaged."""
    is_whole: bool
    """True where every run of the file is wanted under its own number: the file can stay as it is."""
    why: str
    """What it is, as the end of a sentence that begins with its name."""
    sha256: str = ""


@dataclass(frozen=True, slots=True)
class KnownRun:
    """A run of the catalogue, and whether its own trace file is there with its size."""

    run_id: int
    samples: int
    file: str
    is_there: bool


def names_on_disk(library: Library) -> set[str]:
    """Every entry of the folders of traces and originals, relative to the library."""
    layout = library.layout
    found = set()
    for folder in (layout.runs, layout.packs, layout.originals):
        if folder.is_dir():
            found |= {path.relative_to(layout.root).as_posix() for path in folder.iterdir()}
    return found


def known_runs(cursor: duckdb.DuckDBPyConnection, library: Library) -> dict[str, KnownRun]:
    """Every run of the catalogue by its uid."""
    sql = (
        "SELECT uid, run_id, run.samples, file, bytes FROM catalogue.run "
        "LEFT JOIN catalogue.trace_file USING (trace_id)"
    )
    sizes: dict[str, int] = {}
    found: dict[str, KnownRun] = {}
    for uid, run_id, samples, file, size in rows(cursor, sql):
        if file not in sizes:
            sizes[file] = _size(library, file)
        found[str(uid)] = KnownRun(int(run_id), int(samples), str(file), sizes[file] == size)
    return found


def _size(library: Library, file: object) -> int:
    try:
        return library.layout.absolute(str(file)).stat().st_size
    except (OSError, StoreError):
        return -1


@dataclass(slots=True)
class _Known:
    runs: dict[str, KnownRun]
    numbers: dict[int, str]
    """Uid by number, of runs that are there or were deleted."""
    deleted: dict[str, str]
    """When and by whom, by uid."""
    shelved: set[str]
    """Uids of runs that stand back for others."""
    originals: set[str]
    """Hashes of originals that the catalogue names or that lie on the disk."""
    damaged: frozenset[str]
    """Files that were found to hold other bytes than were written."""


def _known(library: Library, on_disk: Iterable[str], damaged: Iterable[str]) -> _Known:
    with library.catalogue.reader() as cursor:
        runs = known_runs(cursor, library)
        stones = rows(cursor, "SELECT uid, run_id, deleted_at, who FROM catalogue.tombstone")
        originals = {str(row[0]) for row in rows(cursor, "SELECT sha256 FROM catalogue.original")}
        shelved = find_shelved(cursor)
    numbers = {run.run_id: uid for uid, run in runs.items()} | {int(s[1]): str(s[0]) for s in stones}
    deleted = {str(s[0]): f"{s[2]:%Y-%m-%d} by {s[3]}" for s in stones if str(s[0]) not in runs}
    originals |= {found["sha256"] for name in on_disk if (found := _ORIGINAL.fullmatch(name))}
    numbers |= {item.run_id: item.uid for item in shelved}
    return _Known(runs, numbers, deleted, {item.uid for item in shelved}, originals, frozenset(damaged))


def survey(
    library: Library, files: Iterable[str], *, damaged: Iterable[str] = (), is_lost: bool = False
) -> list[Stray]:
    """What each file is that the catalogue does not name.

    Args:
        library: The library.
        files: Relative names.
        damaged: Files of the catalogue that are known not to hold what was written.
        is_lost: True where the catalogue was lost: a run whose original is gone is then taken in all the same. Where
            the catalogue is whole such a run is one of an import that was cut short, perhaps of several.
    """
    named = sorted(files, key=lambda file: (file.startswith("originals/"), file))  # whose an original is, a trace tells
    sources: set[str] = set()
    known = _known(library, names_on_disk(library), damaged)
    found: list[Stray] = []
    for file in named:
        is_original = file.startswith("originals/")
        stray = _original(library, file) if is_original else _trace(library, file, known, is_lost=is_lost)
        sources |= {record.provenance.source_sha256 for record in stray.wanted}
        sources |= {item.source_sha256 for record in stray.wanted for item in record.shelved}
        if is_original and stray.sha256 in sources:
            continue  # it comes in with its runs
        for record in stray.wanted:  # a second copy of the same run is no second run
            number = known.runs[record.facts.uid].run_id if record.facts.uid in known.runs else record.facts.run_id
            known.runs[record.facts.uid] = KnownRun(number, record.samples, file, is_there=True)
            known.numbers.setdefault(record.facts.run_id, record.facts.uid)
            known.shelved |= {item.uid for item in record.shelved}
        found.append(stray)
    return found


def _original(library: Library, file: str) -> Stray:
    name = _ORIGINAL.fullmatch(file)
    try:
        path = library.layout.absolute(file)
        if name and original_hash(path) == name["sha256"]:
            return Stray(file, (), False, "is a whole export that no run was read from", name["sha256"])
    except UnsafePath:
        return Stray(file, (), False, "is no regular file of the library")
    except (OSError, StoreError):
        pass
    return Stray(file, (), False, "is no export that this library kept: its bytes are not those of its name")


def _trace(library: Library, file: str, known: _Known, *, is_lost: bool) -> Stray:
    try:
        path = library.layout.absolute(file)
        sha256 = durable.hash_file(path)
        records = packs.pack_records(path, file, sha256)
        packs.check_columns(path)
    except UnsafePath:
        return Stray(file, (), False, "is no regular file of the library")
    except (OSError, StoreError) as error:
        return Stray(file, (), False, f"can't be read as a trace ({_cause(error)})")
    wanted: list[RunRecord] = []
    reasons: list[str] = []
    seen: set[str] = set()
    for record in records:
        reason = _why_not(record, known, seen, is_lost=is_lost)
        seen.add(record.facts.uid)
        if reason:
            reasons.append(reason)
        else:
            wanted.append(record)
    if not wanted:
        why = "; ".join(dict.fromkeys(reasons)) or "holds no run"
        return Stray(file, (), False, why, sha256)
    is_whole = not reasons and all(_keeps_number(record, known) for record in wanted)
    several = "runs" if len(wanted) > 1 else "run"
    which = ", ".join(str(record.facts.run_id) for record in wanted[:8]) + (", ..." if len(wanted) > 8 else "")
    return Stray(file, tuple(wanted), is_whole, f"holds {several} {which}, which the catalogue lacks", sha256)


def _cause(error: Exception) -> str:
    text = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return text.splitlines()[0].rstrip(".")[:200] if text else type(error).__name__


def _why_not(record: RunRecord, known: _Known, seen: set[str], *, is_lost: bool) -> str:
    """Why a run of a stray file is not wanted; empty where it is."""
    uid, source = record.facts.uid, record.provenance.source_sha256
    if uid in seen:
        return f"names run {record.facts.run_id} twice"
    there = known.runs.get(uid)
    if there is not None:
        if (there.is_there and there.file not in known.damaged) or there.samples != record.samples:
            return f"is a further copy: its runs lie whole in {there.file}"
        return ""
    if any(item.uid in known.runs and item.uid not in known.shelved for item in record.shelved):
        return "is a further copy, left by a joining or parting that was cut short"
    if uid in known.shelved:
        return f"holds run {record.facts.run_id}, whose samples others hold since it was joined or parted"
    if uid in known.deleted:
        return f"holds run {record.facts.run_id}, which was deleted on {known.deleted[uid]}"
    if source and source not in known.originals and not is_lost:
        return "was left by an import that was cut short: its export was not kept, import it again"
    return ""


def _keeps_number(record: RunRecord, known: _Known) -> bool:
    there = known.runs.get(record.facts.uid)
    if there is not None:
        return there.run_id == record.facts.run_id
    return record.facts.run_id > 0 and record.facts.run_id not in known.numbers


def take_in(library: Library, strays: Sequence[Stray]) -> tuple[int, list[Stray]]:
    """Bring runs of stray files into the catalogue, under new numbers where theirs are taken.

    Returns:
        How many runs are in the catalogue now that were not, or whose file was missing; and the files that are no
        longer needed, with the reason, to be set aside.
    """
    bench = library.bench()
    count = 0
    left: list[Stray] = []
    for stray in strays:
        if not stray.wanted:
            left.append(stray)
            continue
        try:
            path = library.layout.absolute(stray.file)
            records = packs.reduce_pack(path, list(stray.wanted), bench)
            count += _store(library, stray, path, records)
        except (TraceDamaged, OSError, ValueError, pa.ArrowException) as error:
            left.append(replace(stray, wanted=(), why=f"can't be read as a trace ({_cause(error)})"))
            continue
        if not stray.is_whole:
            left.append(replace(stray, wanted=(), why="is a further copy: what the library lacked of it was taken in"))
    return count, left


def _store(library: Library, stray: Stray, path: Path, records: Sequence[RunRecord]) -> int:
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
    library: Library,
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


def restore_originals(cursor: duckdb.DuckDBPyConnection, library: Library, records: Sequence[RunRecord]) -> None:
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


def set_aside(library: Library, strays: Iterable[Stray]) -> list[str]:
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
        named = _named(cursor)
        durable.make_folder(library.layout.set_aside)
        for stray in waiting:
            source = library.layout.root.joinpath(*stray.file.split("/"))
            if stray.file in named or not os.path.lexists(source):
                continue
            _note(library, stray, _move(source, library.layout.set_aside))
            moved.append(stray.file)
        for folder in (library.layout.runs, library.layout.packs, library.layout.originals, library.layout.set_aside):
            durable.fsync_folder(folder)
    return moved


def _named(cursor: duckdb.DuckDBPyConnection) -> set[str]:
    sql = "SELECT file FROM catalogue.trace_file UNION ALL SELECT stored_as FROM catalogue.original"
    return {str(row[0]) for row in rows(cursor, sql)}


def _move(source: Path, folder: Path) -> Path:
    target = folder / source.name
    number = 1
    while os.path.lexists(target):
        number += 1
        target = folder / f"{source.stem}-{number}{source.suffix}"
    durable.place(source, target)
    return target


def _note(library: Library, stray: Stray, target: Path) -> None:
    line = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}\t{target.name}\t{stray.file}\t{stray.why}\n"
    with (library.layout.set_aside / _WHY).open("a", encoding="utf-8") as file:
        file.write(line)
        file.flush()
        os.fsync(file.fileno())
