"""What each file is that lies in a library and that its catalogue does not name.

Whose a run is, its `uid` tells: numbers collide between two benches, and between a catalogue and an older copy of it.
Knows files and the catalogue; changes nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import duckdb

from store.care import packs
from store.care.named_files import PIECE, names_on_disk
from store.catalogue.connection import rows
from store.catalogue.run_records import RunRecord
from store.catalogue.shelved import find_shelved
from store.errors import StoreError, UnsafePath
from store.files import durable
from store.files.originals import original_hash

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["Stray", "cause_of", "survey"]

_ORIGINAL = re.compile(r"originals/(?P<sha256>[0-9a-f]{64})\.[A-Za-z0-9.]{1,16}", re.ASCII)


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
class _KnownRun:
    """A run of the catalogue, and whether its own trace file is there with its size."""

    run_id: int
    samples: int
    file: str
    is_there: bool


def _size(library: Store, file: object) -> int:
    try:
        return library.layout.absolute(str(file)).stat().st_size
    except (OSError, StoreError):
        return -1


@dataclass(slots=True)
class _Known:
    """What the library knows of the runs that were found in files."""

    runs: dict[str, _KnownRun] = field(default_factory=dict)
    numbers: dict[int, str] = field(default_factory=dict)
    """Uid by number, of runs that are there or were deleted."""
    deleted: dict[str, str] = field(default_factory=dict)
    """When and by whom, by uid."""
    shelved: set[str] = field(default_factory=set)
    """Uids of runs that stand back for others."""
    originals: set[str] = field(default_factory=set)
    """Hashes of originals that the catalogue names or that lie on the disk."""
    damaged: frozenset[str] = frozenset()
    """Files that were found to hold other bytes than were written."""


def _known(library: Store, records: Sequence[RunRecord], damaged: Iterable[str]) -> _Known:
    """Asked for the runs found alone: a library may hold a million others."""
    found = _Known(damaged=frozenset(damaged))
    for first in range(0, len(records), PIECE):
        with library.catalogue.reader() as cursor:
            _look_up(cursor, library, records[first : first + PIECE], found)
    sources = {record.provenance.source_sha256 for record in records} - found.originals - {""}
    if sources:
        names = (_ORIGINAL.fullmatch(name) for name in names_on_disk(library.layout) if name.startswith("originals/"))
        found.originals |= {name["sha256"] for name in names if name and name["sha256"] in sources}
    return found


def _look_up(cursor: duckdb.DuckDBPyConnection, library: Store, records: Sequence[RunRecord], found: _Known) -> None:
    hidden = [item for record in records for item in record.shelved]
    uids = [*(record.facts.uid for record in records), *(item.uid for item in hidden)]
    numbers = [*(record.facts.run_id for record in records), *(item.run_id for item in hidden)]
    where = "uid IN (SELECT unnest(?::VARCHAR[])) OR run_id IN (SELECT unnest(?::BIGINT[]))"
    sql = (
        "SELECT uid, run_id, run.samples, file, bytes FROM catalogue.run "
        f"LEFT JOIN catalogue.trace_file USING (trace_id) WHERE {where}"
    )
    sizes: dict[str, int] = {}
    runs: dict[str, _KnownRun] = {}
    for uid, run_id, samples, file, size in rows(cursor, sql, [uids, numbers]):
        if file not in sizes:
            sizes[file] = _size(library, file)
        runs[str(uid)] = _KnownRun(int(run_id), int(samples), str(file), sizes[file] == size)
    stones = rows(
        cursor, f"SELECT uid, run_id, deleted_at, who FROM catalogue.tombstone WHERE {where}", [uids, numbers]
    )
    shelved = find_shelved(cursor, where, [uids, numbers])
    found.runs |= runs
    found.numbers |= {run.run_id: uid for uid, run in runs.items()} | {int(s[1]): str(s[0]) for s in stones}
    found.numbers |= {item.run_id: item.uid for item in shelved}
    found.deleted |= {str(s[0]): f"{s[2]:%Y-%m-%d} by {s[3]}" for s in stones if str(s[0]) not in runs}
    found.shelved |= {item.uid for item in shelved}
    sources = [record.provenance.source_sha256 for record in records]
    sql = "SELECT sha256 FROM catalogue.original WHERE sha256 IN (SELECT unnest(?::VARCHAR[]))"
    found.originals |= {str(row[0]) for row in rows(cursor, sql, [sources])}


def survey(library: Store, files: Iterable[str], *, damaged: Iterable[str] = (), is_lost: bool = False) -> list[Stray]:
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
    looked = {file: _looked_at(library, file) for file in named if not file.startswith("originals/")}
    known = _known(library, [record for item in looked.values() for record in item.records], damaged)
    found: list[Stray] = []
    for file in named:
        is_original = file.startswith("originals/")
        stray = _original(library, file) if is_original else _trace(file, looked.pop(file), known, is_lost=is_lost)
        sources |= {record.provenance.source_sha256 for record in stray.wanted}
        sources |= {item.source_sha256 for record in stray.wanted for item in record.shelved}
        if is_original and stray.sha256 in sources:
            continue  # it comes in with its runs
        for record in stray.wanted:  # a second copy of the same run is no second run
            number = known.runs[record.facts.uid].run_id if record.facts.uid in known.runs else record.facts.run_id
            known.runs[record.facts.uid] = _KnownRun(number, record.samples, file, is_there=True)
            known.numbers.setdefault(record.facts.run_id, record.facts.uid)
            known.shelved |= {item.uid for item in record.shelved}
        found.append(stray)
    return found


@dataclass(frozen=True, slots=True)
class _Looked:
    """What a file says of itself."""

    records: tuple[RunRecord, ...]
    sha256: str
    why_not: str
    """Why it can't be taken for a trace; empty where it can."""


def _looked_at(library: Store, file: str) -> _Looked:
    try:
        path = library.layout.absolute(file)
        sha256 = durable.hash_file(path)
        records = packs.pack_records(path, file, sha256)
        packs.check_columns(path)
    except UnsafePath:
        return _Looked((), "", "is not a regular file of the library")
    except (OSError, StoreError) as error:
        return _Looked((), "", f"can't be read as a trace ({cause_of(error)})")
    return _Looked(tuple(records), sha256, "")


def _original(library: Store, file: str) -> Stray:
    name = _ORIGINAL.fullmatch(file)
    try:
        path = library.layout.absolute(file)
        if name and original_hash(path) == name["sha256"]:
            return Stray(file, (), False, "is a whole export that no run was read from", name["sha256"])
    except UnsafePath:
        return Stray(file, (), False, "is not a regular file of the library")
    except (OSError, StoreError):
        pass
    return Stray(file, (), False, "is not an export that this library kept: its bytes are not those of its name")


def _trace(file: str, looked: _Looked, known: _Known, *, is_lost: bool) -> Stray:
    if looked.why_not:
        return Stray(file, (), False, looked.why_not)
    wanted: list[RunRecord] = []
    reasons: list[str] = []
    seen: set[str] = set()
    for record in looked.records:
        reason = _why_not(record, known, seen, is_lost=is_lost)
        seen.add(record.facts.uid)
        if reason:
            reasons.append(reason)
        else:
            wanted.append(record)
    if not wanted:
        why = "; ".join(dict.fromkeys(reasons)) or "holds no run"
        return Stray(file, (), False, why, looked.sha256)
    is_whole = not reasons and all(_keeps_number(record, known) for record in wanted)
    several = "runs" if len(wanted) > 1 else "run"
    which = ", ".join(str(record.facts.run_id) for record in wanted[:8]) + (", ..." if len(wanted) > 8 else "")
    return Stray(file, tuple(wanted), is_whole, f"holds {several} {which}, which the catalogue lacks", looked.sha256)


def cause_of(error: Exception) -> str:
    """Why a file can't be read, as a part of a sentence."""
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
