"""A log that is a longer version of one in the library: known by its equal beginning, it takes the shorter one's place.

Two ways to know it. The file begins with every byte of an export that was imported; or its samples begin with all of
a run's, where file name or start time are the same (a workbook, a head that tells the end). Nothing is guessed from
values that stand still. Knows the catalogue and traces; writes nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import numpy as np
import numpy.typing as npt
import pyarrow as pa

from importers.schema import Facts
from store.catalogue.amendments import Change
from store.catalogue.connection import rows
from store.catalogue.run_records import RunRecord
from store.catalogue.shelved import GROWN, as_shelved, shelve
from store.files.traces import read_samples, to_arrays
from store.model.records import RunFacts
from store.model.results import Array, Mask
from store.runs.pairs import move_pairs
from store.runs.recompute import load_records
from store.words.clock import to_stored

if TYPE_CHECKING:
    from store.core import Store

__all__ = [
    "Before",
    "Beginnings",
    "LogStart",
    "filled",
    "find_before",
    "hash_with_beginnings",
    "is_there",
    "marked_alike",
    "stand_back",
]

_BLOCK = 1 << 20
_IS_LINE_END = np.isin(np.arange(256), tuple(b"\r\n\0"))
_TELLING = 8
"""Different rows that a log without a date needs so that its beginning tells it from others; chosen by us."""
_MOST = 8
"""Runs of one name or start time whose samples are compared; the longest first."""
_CARRIED = ("device", "port", "mode", "kind", "load_set", "ambient_c", "meter", "measured_at", "cable_mohm")
"""Facts that a longer log takes over from the shorter one."""
_MUST_AGREE = ("device", "port", "kind", "meter")
"""Facts in which two versions of one log can't differ."""


@dataclass(frozen=True, slots=True)
class Beginnings:
    """Imported exports that may be the beginning of another."""

    sizes: npt.NDArray[np.int64]
    """[bytes]"""
    hashes: Sequence[Mapping[int, AbstractSet[str]]]
    """Their hashes by size: of what is stored, and of what waits to be."""

    def holds(self, size: int, sha256: str) -> bool:
        """Whether one of this size has this hash."""
        return any(sha256 in known.get(size, ()) for known in self.hashes)


@dataclass(frozen=True, slots=True)
class LogStart:
    """What is known of a run that is being imported, to look for its shorter version."""

    part: str
    source_file: str
    started_at: datetime | None
    samples: int
    values: Mapping[str, Array] | None
    """`t_s` and the channels; None where the log is too long to be held."""


@dataclass(frozen=True, slots=True)
class Before:
    """Runs of which an import holds longer versions, or that hold a longer version of it."""

    shorter: Mapping[str, RunRecord] = field(default_factory=dict)
    """By the part of the new run: the run whose place it takes."""
    longer: tuple[RunRecord, ...] = ()
    """One for each part, where every part is the beginning of a run that is there."""


def hash_with_beginnings(path: Path, sizes: Collection[int] | npt.NDArray[np.int64]) -> tuple[str, dict[int, str]]:
    """SHA-256 of a file, and of those of its beginnings that end at a line's end.

    Args:
        path: The file.
        sizes: Lengths of beginnings of interest [bytes].

    Returns:
        The file's hash, and each beginning's by its length.
    """
    digest, begin, found = hashlib.sha256(), 0, {}
    waiting = np.unique(np.asarray(sizes if isinstance(sizes, np.ndarray) else list(sizes), dtype=np.int64))
    waiting = waiting[waiting > 0]
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            done, here = 0, int(np.searchsorted(waiting, begin + len(block)))
            for cut in _at_line_ends(block, waiting[:here] - begin).tolist():
                digest.update(block[done:cut])
                done = cut
                found[begin + cut] = digest.copy().hexdigest()
            digest.update(block[done:])
            begin, waiting = begin + len(block), waiting[here:]
    return digest.hexdigest(), found


def _at_line_ends(block: bytes, cuts: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Places before or behind which a line ends; one at the block's beginning counts, for what is before is gone."""
    if not len(cuts):
        return cuts
    text = np.frombuffer(block, dtype=np.uint8)
    is_end: Mask = (cuts == 0) | _IS_LINE_END[text[cuts]] | _IS_LINE_END[text[cuts - 1]]
    return cuts[is_end]


def find_before(library: Store, starts: Sequence[LogStart], same_beginning: Sequence[str], told: Facts) -> Before:
    """Runs that are versions of the logs of one file.

    Args:
        library: Where to look.
        starts: The file's runs.
        same_beginning: Hashes of originals with whose bytes the file begins.
        told: What the tester states; a run of which it says otherwise is no version.
    """
    with library.catalogue.reader() as cursor:
        by_bytes = _with_sources(cursor, same_beginning)
        named = {start.part: _named_alike(cursor, start) for start in starts}
        ids = sorted({*by_bytes.values(), *(i for found in named.values() for i in found)})
        records = {record.facts.run_id: record for record in load_records(cursor, ids)} if ids else {}
    shorter: dict[str, RunRecord] = {}
    longer: list[RunRecord] = []
    for start in starts:
        record = records.get(by_bytes.get(start.part, 0))
        if record is not None and record.samples <= start.samples and _may_have_grown(record, start, told):
            shorter[start.part] = record
            continue
        for run_id in named[start.part]:
            record = records[run_id]
            if _differs(record.facts, told) or not _begin_alike(library, record, start):
                continue
            if record.samples < start.samples:
                shorter[start.part] = record
            elif record.samples > start.samples:
                longer.append(record)
            break
    return Before(shorter, tuple(longer) if len(longer) == len(starts) else ())


def _with_sources(cursor: duckdb.DuckDBPyConnection, sources: Sequence[str]) -> dict[str, int]:
    """By part: the longest run of those exports."""
    if not sources:
        return {}
    sql = (
        "SELECT part, run_id FROM catalogue.run WHERE source_sha256 IN (SELECT unnest(?::VARCHAR[])) "
        "ORDER BY samples, run_id"
    )
    return {str(part): int(run_id) for part, run_id in rows(cursor, sql, [list(sources)])}


def _named_alike(cursor: duckdb.DuckDBPyConnection, start: LogStart) -> list[int]:
    sql = (
        "SELECT run_id FROM catalogue.run WHERE part = ? AND samples != ? AND (source_file = ? OR started_at = ?) "
        f"ORDER BY samples DESC, run_id LIMIT {_MOST}"
    )
    values = [start.part, start.samples, start.source_file, to_stored(start.started_at)]
    return [int(run_id) for (run_id,) in rows(cursor, sql, values)]


def _differs(facts: RunFacts, told: Facts) -> bool:
    """Whether the tester says of an import what can't hold for a version of this run."""
    return any(
        stated is not None and (there := getattr(facts, name)) is not None and there != stated
        for name in _MUST_AGREE
        if (stated := getattr(told, name)) is not None
    )


def _may_have_grown(record: RunRecord, start: LogStart, told: Facts) -> bool:
    """Whether equal bytes at the beginning mean the same log: two idle logs without a date begin alike too."""
    if _differs(record.facts, told):
        return False
    is_placed = start.source_file == record.provenance.source_file or start.started_at is not None
    return is_placed or start.values is None or _tells({n: v[: record.samples] for n, v in start.values.items()})


def _tells(values: Mapping[str, Array]) -> bool:
    """Whether a log's samples differ among themselves, so that its beginning tells it from other logs."""
    measured = np.column_stack([values[name] for name in values if name != "t_s"])
    return len(np.unique(np.nan_to_num(measured), axis=0)) >= _TELLING


def _begin_alike(library: Store, record: RunRecord, start: LogStart) -> bool:
    """Whether the samples that both have are the same; the shorter's last one may have been cut off."""
    if start.values is None:
        return False
    shared = min(record.samples, start.samples)
    names = [name for name in ("t_s", *record.channels) if name in start.values]
    if shared < 2 or len(names) != len(record.channels) + 1:
        return False
    if start.started_at is not None and record.facts.started_at != start.started_at:
        return False
    path = library.layout.absolute(record.provenance.trace_file)
    try:
        first = _read(path, record, names, 2)
        if any(not _same(first[name], start.values[name][:2], 1) for name in names):
            return False
        kept = _read(path, record, names, shared)
    except (OSError, pa.ArrowException):
        return False  # a damaged trace is for `verify` to name; it hinders no import
    if any(not _same(kept[name], start.values[name][:shared], shared - 1) for name in names):
        return False
    return start.started_at is not None or _tells(kept)


def _read(path: Path, record: RunRecord, names: Sequence[str], count: int) -> dict[str, Array]:
    return to_arrays(pa.concat_tables(read_samples(path, record.first_row, count, names)))


def _same(one: Array, other: Array, count: int) -> bool:
    return bool(np.array_equal(one[:count], other[:count], equal_nan=True))


def filled(told: Facts, before: RunFacts) -> Facts:
    """What the tester states, filled up with what is known of the shorter run, corrections included."""
    kept = {
        "load" if name == "load_set" else name: getattr(before, name)
        for name in (*_CARRIED, "note")
        if getattr(told, "load" if name == "load_set" else name) is None and getattr(before, name)
    }
    return replace(told, **kept)


def marked_alike(facts: RunFacts, before: RunFacts, told: Facts) -> RunFacts:
    """A longer run with the port, quality, group and, unless one is stated, start time of the shorter one."""
    started_at = facts.started_at if told.started else before.started_at or facts.started_at
    return replace(
        facts,
        port=told.port or before.port or facts.port,
        quality=before.quality,
        quality_reason=before.quality_reason,
        group_id=before.group_id,
        started_at=started_at,
    )


def is_there(cursor: duckdb.DuckDBPyConnection, run_id: int) -> bool:
    """Whether a run is in the catalogue."""
    return bool(rows(cursor, "SELECT 1 FROM catalogue.run WHERE run_id = ?", [run_id]))


_GROUP = ("group_id", "group_offset_s", "group_offset_uncertainty_s", "group_method")


def stand_back(cursor: duckdb.DuckDBPyConnection, before: RunRecord, run_id: int, uid: str) -> list[Change]:
    """A shorter run stands back for the longer one, which takes its place in group and pairs.

    Args:
        cursor: Inside a writing transaction; the longer run's rows are there.
        before: The shorter run.
        run_id: The longer one.
        uid: Its uid.

    Returns:
        What to record.
    """
    old = before.facts.run_id
    columns = ", ".join(f"{name} = other.{name}" for name in _GROUP)
    cursor.execute(
        f"UPDATE catalogue.run SET {columns}, amendment_count = run.amendment_count + 1 "
        "FROM catalogue.run other WHERE run.run_id = ? AND other.run_id = ?",
        [run_id, old],
    )
    shelve(cursor, as_shelved(cursor, old, GROWN, [uid]))
    cursor.execute("DELETE FROM catalogue.tombstone WHERE uid = ?", [uid])
    move_pairs(cursor, old, run_id)
    return [
        Change("run", str(old), "grown into", None, str(run_id)),
        Change("run", str(run_id), "grown from", None, str(old)),
    ]
