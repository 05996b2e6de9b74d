"""Parts of one log as one run, one log as several runs, and each taken back exactly.

The new trace is written with nothing held; one transaction puts it in the place of what it is made of. Runs that are
replaced stand back with all that the catalogue knew of them (`store.catalogue.shelved`). Originals stay.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import duckdb
import numpy as np
import pyarrow as pa

from importers.schema import TRACE_COLUMNS, LineAccount
from store.care.packs import reduce_pack
from store.care.repack import Moved, Replacement, check_hash, remove_files, write_without
from store.care.strays import drop_empty_files
from store.catalogue.amendments import Change, amend
from store.catalogue.connection import rows
from store.catalogue.numbers import next_trace_id, reserve_run_ids, trace_row
from store.catalogue.run_records import RunRecord, append_rows, footer_entry, insert_records
from store.catalogue.shelved import (
    GROWN,
    JOINED,
    PARTED,
    Shelved,
    as_shelved,
    drop_runs,
    find_shelved,
    put_back,
    shelve,
)
from store.devices.bench import load_bench
from store.errors import DiskFault, NotFound, WrongFact
from store.files import durable
from store.files.traces import TraceWriter, WrittenTrace, moved_table, read_samples
from store.model.records import RunFacts
from store.runs.edits import drop_lonely_originals
from store.runs.pairs import move_pairs
from store.runs.recompute import load_records, shelved_record
from store.words.clock import now_utc, to_stored

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["Joining", "Parting", "join", "part", "take_apart"]

_MUST_AGREE = ("device", "port", "kind", "direction", "meter", "measured_at", "cable_mohm")
"""Facts in which two parts of one log can't differ."""
_COUNTERS = (("energy_wh", "power_w"), ("charge_ah", "current_a"))
"""Counters and the flow that each sums up: its step between two parts tells how long nothing was logged."""


@dataclass(frozen=True, slots=True)
class Joining:
    """Runs that are one now."""

    run_id: int
    parts: tuple[int, ...]
    """Their former numbers, in order of time."""
    offsets_s: tuple[float, ...]
    """When each began, from the first's first sample [s]."""
    how: str
    """How that is known: `start times`, `counters`, `stated`; `parted` where a parted run is back."""
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Parting:
    """One run that is several now."""

    run_id: int
    """The former number."""
    runs: tuple[int, ...]
    is_back: bool
    """True where a joining was taken back, so that these are the runs of before."""


@dataclass(frozen=True, slots=True)
class _Made:
    """A run in the making and the samples it gets."""

    record: RunRecord
    pieces: tuple[tuple[RunRecord, int, int, float], ...]
    """Of which runs: first sample, count, and seconds to add."""


def join(
    library: Store,
    run_ids: Sequence[int],
    offsets_s: Mapping[int, float] | None = None,
    *,
    who: str,
    reason: str,
) -> Joining:
    """Make parts of one log one run: see `RunStore.join`."""
    ids = list(dict.fromkeys(run_ids))
    if len(ids) < 2:
        raise WrongFact("Joining needs two runs or more.")
    while True:
        with library.catalogue.reader() as cursor:
            by_id = {record.facts.run_id: record for record in load_records(cursor, ids)}
            records = [by_id[i] for i in ids]
            uids = sorted(record.facts.uid for record in records)
            parted = [s for s in find_shelved(cursor, "how = ?", [PARTED]) if sorted(s.into_uids) == uids]
        try:
            if parted and not offsets_s:
                return _reunite(library, parted[0], records, who, reason)
            return _join(library, records, offsets_s or {}, who, reason)
        except Moved:
            continue  # packed or edited meanwhile: look again
        except OSError as error:
            raise DiskFault.of(error, "Joining") from error


def _join(
    library: Store, records: Sequence[RunRecord], offsets_s: Mapping[int, float], who: str, reason: str
) -> Joining:
    ordered, offsets, how = _laid_out(library, records, offsets_s)
    facts, warnings = _facts_of(ordered)
    told = "/".join(f"{r.facts.uid}@{offset!r}" for r, offset in zip(ordered, offsets, strict=True))
    uid = hashlib.sha256(f"joined/{told}".encode()).hexdigest()[:32]
    with library.catalogue.reader() as cursor:
        before = rows(cursor, "SELECT run_id FROM catalogue.tombstone WHERE uid = ?", [uid])
        shelved, row = [], 0
        for part_of, offset in zip(ordered, offsets, strict=True):
            number = part_of.facts.run_id
            shelved.append(as_shelved(cursor, number, JOINED, [uid], offset_s=offset, first_row=row))
            row += part_of.samples
    run_id = int(before[0][0]) if before else reserve_run_ids(library, 1)
    first = ordered[0]
    samples = sum(record.samples for record in ordered)
    account = LineAccount(samples, samples)
    record = RunRecord(
        facts=replace(facts, run_id=run_id, uid=uid),
        provenance=replace(
            first.provenance,
            part="+".join(r.provenance.part for r in ordered),
            source_bytes=sum(r.provenance.source_bytes for r in ordered),
            imported_at=now_utc(),
            imported_by=who,
            account=account,
            warnings=tuple(dict.fromkeys([*warnings, *(w for r in ordered for w in r.provenance.warnings)])),
            trace_file=library.layout.run_file(uid),
        ),
        channels=tuple(dict.fromkeys(name for r in ordered for name in r.channels)),
        samples=samples,
        duration_s=offsets[-1] + ordered[-1].duration_s,
        interval_s=first.interval_s,
        first_row=0,
        events=tuple(
            replace(event, from_s=event.from_s + offset, to_s=event.to_s + offset)
            for r, offset in zip(ordered, offsets, strict=True)
            for event in r.events
        ),
        shelved=tuple(shelved),
    )
    pieces = tuple((r, 0, r.samples, offset) for r, offset in zip(ordered, offsets, strict=True))
    ids = [r.facts.run_id for r in ordered]

    def stand_back(cursor: duckdb.DuckDBPyConnection) -> list[Change]:
        changes = []
        for item in shelved:
            changes.append(Change("run", str(item.run_id), "joined into", None, str(run_id)))
            shelve(cursor, item)
        cursor.execute("DELETE FROM catalogue.tombstone WHERE uid = ?", [uid])
        return [*changes, Change("run", str(run_id), "joined of", None, ", ".join(map(str, ids)))]

    _replace(library, ordered, [_Made(record, pieces)], [], stand_back, who=who, reason=reason)
    return Joining(run_id, tuple(ids), tuple(offsets), how, warnings)


def _laid_out(
    library: Store, records: Sequence[RunRecord], offsets_s: Mapping[int, float]
) -> tuple[list[RunRecord], list[float], str]:
    """Parts in order of time, when each began from the first's first sample [s], and how that is known.

    Raises:
        WrongFact: It is not known, or they overlap.
    """
    if offsets_s:
        unknown = [r.facts.run_id for r in records[1:] if r.facts.run_id not in offsets_s]
        if unknown:
            raise WrongFact(f"State when run {unknown[0]} began too: --offset {unknown[0]}=SECONDS.")
        at = {r.facts.run_id: float(offsets_s.get(r.facts.run_id, 0.0)) for r in records}
        how = "stated"
    elif all(r.facts.started_at is not None for r in records):
        begun: dict[int, Any] = {r.facts.run_id: r.facts.started_at for r in records}
        at = {number: (moment - min(begun.values())).total_seconds() for number, moment in begun.items()}
        how = "start times"
    else:
        at, how = _by_counters(library, records), "counters"
    ordered = sorted(records, key=lambda r: (at[r.facts.run_id], records.index(r)))
    base = at[ordered[0].facts.run_id]
    offsets = [at[r.facts.run_id] - base for r in ordered]
    for (one, begin), (other, following) in pairwise(zip(ordered, offsets, strict=True)):
        if following <= begin + one.duration_s:
            over = begin + one.duration_s - following
            raise WrongFact(
                f"Runs {one.facts.run_id} and {other.facts.run_id} overlap by {over:.6g} s ({how}), so they are "
                f"not parts of one log. State when each began: --offset {other.facts.run_id}=SECONDS. Simultaneous "
                f"runs are grouped: `joulebook group {one.facts.run_id} {other.facts.run_id}`."
            )
    return ordered, offsets, how


def _by_counters(library: Store, records: Sequence[RunRecord]) -> dict[int, float]:
    """When each run began, where a counter goes on from one to the next in the order given."""
    at = {records[0].facts.run_id: 0.0}
    for one, other in pairwise(records):
        gap_s = counter_gap_s(library, one, other)
        if gap_s is None:
            number = other.facts.run_id
            raise WrongFact(
                f"Run {number} has no start time, and no counter continues from run {one.facts.run_id}, so nothing "
                f"says when it began. State it: --offset {number}=SECONDS from the first run's first sample."
            )
        at[other.facts.run_id] = at[one.facts.run_id] + one.duration_s + gap_s
    return at


def counter_gap_s(library: Store, one: RunRecord, other: RunRecord) -> float | None:
    """Time between the last sample of a run and the first of the next, by a counter that goes on [s].

    The counter's step divided by the mean of the flow at both ends, but at least a sampling interval; None where no
    counter goes on.
    """
    interval_s = one.interval_s or other.interval_s or 1.0
    for counter, flow in _COUNTERS:
        if not {counter, flow} <= set(one.channels) & set(other.channels):
            continue
        ends = []
        for record, row in ((one, one.samples - 1), (other, 0)):
            path = library.layout.absolute(record.provenance.trace_file)
            table = pa.concat_tables(read_samples(path, record.first_row + row, 1, (counter, flow)))
            ends.append([table.column(name)[0].as_py() for name in (counter, flow)])
        if any(value is None for end in ends for value in end):
            continue
        step, rate = ends[1][0] - ends[0][0], (abs(ends[0][1]) + abs(ends[1][1])) / 2
        if ends[0][0] <= 0.0 or step < 0.0:
            continue  # it began anew
        if step == 0.0:
            return interval_s
        if rate > 0.0:
            return max(float(step * 3600.0 / rate), interval_s)
    return None


def _facts_of(records: Sequence[RunRecord]) -> tuple[RunFacts, tuple[str, ...]]:
    """Facts of the joined run, and what was told differently.

    Raises:
        WrongFact: Two parts differ in what one log can't.
    """
    merged: dict[str, Any] = asdict(records[0].facts) | {"started_at": records[0].facts.started_at}
    warnings = []
    for record in records[1:]:
        for name, value in asdict(record.facts).items():
            if name in {"run_id", "uid", "started_at", "group_id", "quality", "quality_reason", "note"}:
                continue
            before = merged[name]
            if before is None:
                merged[name] = value
            elif value is not None and value != before:
                if name in _MUST_AGREE:
                    raise WrongFact(
                        f"Run {records[0].facts.run_id} has {name} {before}, run {record.facts.run_id} {value}: one "
                        f"log has one. If that is a slip: `joulebook edit {record.facts.run_id} --{name} ...`."
                    )
                told = f"Run {record.facts.run_id} was told with {name} {value}"
                warnings.append(f"{told}; the first part's {before} holds.")
    worst = max(records, key=lambda r: ("ok", "suspect", "rejected").index(r.facts.quality)).facts
    notes = list(dict.fromkeys(r.facts.note for r in records if r.facts.note))
    merged |= {"quality": worst.quality, "quality_reason": worst.quality_reason, "note": "; ".join(notes)}
    return RunFacts(**merged), tuple(warnings)


def _reunite(library: Store, whole: Shelved, records: Sequence[RunRecord], who: str, reason: str) -> Joining:
    """A run that was parted is there again under its number, with its facts and results."""
    by_uid = {record.facts.uid: record for record in records}
    ordered = [by_uid[uid] for uid in whole.into_uids]
    times = [float(r.provenance.part.rsplit("@", 1)[1]) for r in ordered]  # written when it was parted
    made = _Made(
        shelved_record(library.layout, whole), tuple((r, 0, r.samples, t) for r, t in zip(ordered, times, strict=True))
    )
    ids = [r.facts.run_id for r in ordered]

    def stand_back(cursor: duckdb.DuckDBPyConnection) -> list[Change]:
        _gone(cursor, ordered, who, f"joined again as run {whole.run_id}")
        changes = [Change("run", str(i), "joined into", None, str(whole.run_id)) for i in ids]
        return [*changes, Change("run", str(whole.run_id), "joined of", None, ", ".join(map(str, ids)))]

    _replace(library, ordered, [], [(made, whole)], stand_back, who=who, reason=reason)
    return Joining(whole.run_id, tuple(ids), tuple(times), "parted")


def take_apart(library: Store, run_id: int, *, who: str, reason: str) -> Parting:
    """Take a joining back, or that a log grew: see `RunStore.part`."""
    while True:
        with library.catalogue.reader() as cursor:
            (whole,) = load_records(cursor, [run_id])
            parts = find_shelved(cursor, "how != ? AND list_contains(into_uids, ?)", [PARTED, whole.facts.uid])
        if not parts:
            raise WrongFact(
                f"Run {run_id} was not joined of others. To make it several runs, say where: "
                f"`joulebook part {run_id} --at 1:02:00`."
            )
        back = [
            (
                _Made(shelved_record(library.layout, item), ((whole, item.first_row, item.samples, -item.offset_s),)),
                item,
            )
            for item in parts
        ]
        ids = [item.run_id for item in parts]

        def stand_back(
            cursor: duckdb.DuckDBPyConnection,
            whole: RunRecord = whole,
            ids: Sequence[int] = tuple(ids),
            is_grown: bool = parts[0].how == GROWN,
        ) -> list[Change]:
            _gone(cursor, [whole], who, f"split into runs {', '.join(map(str, ids))}")
            if is_grown:
                move_pairs(cursor, run_id, ids[0])
                back = [Change("run", str(ids[0]), "grown into", str(run_id), None)]
                return [*back, Change("run", str(run_id), "grown from", str(ids[0]), None)]
            changes = [Change("run", str(i), "joined into", str(run_id), None) for i in ids]
            return [*changes, Change("run", str(run_id), "joined of", ", ".join(map(str, ids)), None)]

        try:
            _replace(library, [whole], [], back, stand_back, who=who, reason=reason)
        except Moved:
            continue
        except OSError as error:
            raise DiskFault.of(error, "Parting") from error
        return Parting(run_id, tuple(ids), is_back=True)


def _gone(cursor: duckdb.DuckDBPyConnection, records: Sequence[RunRecord], who: str, reason: str) -> None:
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


def part(library: Store, run_id: int, at_s: Sequence[float], *, who: str, reason: str) -> Parting:
    """Make one log several runs, parted at times of its own clock: see `RunStore.part`."""
    while True:
        with library.catalogue.reader() as cursor:
            (whole,) = load_records(cursor, [run_id])
            hidden = as_shelved(cursor, run_id, PARTED, [])
        borders = _borders(library, whole, at_s)
        first_id = reserve_run_ids(library, len(borders) - 1)
        pieces = [
            _Piece(first_id + index, row, end_row, begin)
            for index, ((row, begin), (end_row, _)) in enumerate(pairwise(borders))
        ]
        ids = [piece.run_id for piece in pieces]
        hidden = replace(hidden, into_uids=tuple(piece.uid_of(whole) for piece in pieces))
        made = [
            _Made(piece.record(library, whole, hidden, who), ((whole, piece.row, piece.samples, -piece.begin_s),))
            for piece in pieces
        ]

        def stand_back(
            cursor: duckdb.DuckDBPyConnection, ids: Sequence[int] = tuple(ids), hidden: Shelved = hidden
        ) -> list[Change]:
            shelve(cursor, hidden)
            changes = [Change("run", str(i), "parted from", None, str(run_id)) for i in ids]
            return [*changes, Change("run", str(run_id), "parted into", None, ", ".join(map(str, ids)))]

        try:
            _replace(library, [whole], made, [], stand_back, who=who, reason=reason)
        except Moved:
            continue
        except OSError as error:
            raise DiskFault.of(error, "Parting") from error
        return Parting(run_id, tuple(ids), is_back=False)


def _borders(library: Store, whole: RunRecord, at_s: Sequence[float]) -> list[tuple[int, float]]:
    """First row and time [s] of each piece, and the end.

    Raises:
        WrongFact: A time outside the log, or with no sample between two.
    """
    path = library.layout.absolute(whole.provenance.trace_file)
    pieces = read_samples(path, whole.first_row, whole.samples, ("t_s",))
    t_s = np.concatenate([p.column("t_s").to_numpy() for p in pieces])
    found = [(0, float(t_s[0]))]
    for at in sorted(at_s):
        row = int(np.searchsorted(t_s, at))
        if not np.isfinite(at) or row <= found[-1][0] or row >= len(t_s):
            raise WrongFact(
                f"Run {whole.facts.run_id} can't be parted at {at:g} s: its samples lie from {t_s[0]:g} s "
                f"to {t_s[-1]:g} s, and each piece needs one at least."
            )
        found.append((row, float(t_s[row])))
    return [*found, (len(t_s), float(t_s[-1]))]


@dataclass(frozen=True, slots=True)
class _Piece:
    """A stretch of a log that becomes a run."""

    run_id: int
    row: int
    end_row: int
    begin_s: float

    @property
    def samples(self) -> int:
        return self.end_row - self.row

    def uid_of(self, whole: RunRecord) -> str:
        told = f"{whole.facts.uid}/{self.row}-{self.end_row}@{self.begin_s!r}/{self.run_id}"
        return hashlib.sha256(told.encode()).hexdigest()[:32]

    def record(self, library: Store, whole: RunRecord, hidden: Shelved, who: str) -> RunRecord:
        started, uid, begin = whole.facts.started_at, self.uid_of(whole), self.begin_s
        if started is not None:
            started += timedelta(seconds=begin)
        return replace(
            whole,
            facts=replace(whole.facts, run_id=self.run_id, uid=uid, started_at=started, group_id=None),
            provenance=replace(
                whole.provenance,
                part=f"{whole.provenance.part}@{begin!r}",
                imported_at=now_utc(),
                imported_by=who,
                trace_file=library.layout.run_file(uid),
            ),
            samples=self.samples,
            first_row=0,
            events=tuple(
                replace(event, from_s=event.from_s - begin, to_s=event.to_s - begin)
                for event in whole.events
                if event.from_s >= begin
            ),
            shelved=(hidden,),
        )


def _count_amendment(cursor: duckdb.DuckDBPyConnection, run_id: int) -> None:
    cursor.execute("UPDATE catalogue.run SET amendment_count = amendment_count + 1 WHERE run_id = ?", [run_id])


def _replace(
    library: Store,
    before: Sequence[RunRecord],
    made: Sequence[_Made],
    back: Sequence[tuple[_Made, Shelved]],
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


def _write(library: Store, item: _Made) -> WrittenTrace:
    """The samples of a run in the making under a temporary name, with its footer."""
    writer = TraceWriter(durable.new_temporary(library.layout.tmp, ".parquet"))
    try:
        for table in _samples(library, item):
            writer.write(table)
        return writer.finish([footer_entry(item.record)])
    except BaseException:
        writer.abandon()
        raise


def _samples(library: Store, item: _Made) -> Iterator[pa.Table]:
    for source, row, count, add_s in item.pieces:
        path = library.layout.absolute(source.provenance.trace_file)
        for table in read_samples(path, source.first_row + row, count, TRACE_COLUMNS):
            yield moved_table(table, item.record.facts.run_id, add_s)
