"""Parts of one log as one run, and the way back to the parts, exactly.

The new trace is written with nothing held; one transaction puts it in the place of what it is made of. Runs that are
replaced stand back with all that the catalogue knew of them (`store.catalogue.shelved`). Originals stay.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import duckdb
import pyarrow as pa

from importers.schema import LineAccount
from store.care.repack import Moved
from store.catalogue.amendments import Change
from store.catalogue.connection import rows
from store.catalogue.numbers import reserve_run_ids
from store.catalogue.run_records import RunRecord
from store.catalogue.shelved import (
    GROWN,
    JOINED,
    PARTED,
    Shelved,
    as_shelved,
    find_shelved,
    shelve,
)
from store.errors import DiskFault, WrongFact
from store.files.traces import read_samples
from store.model.records import RunFacts
from store.runs.pairs import move_pairs
from store.runs.recompute import load_records, shelved_record
from store.words.clock import now_utc

if TYPE_CHECKING:
    from store.core import Store
from store.runs.parting import Parting
from store.runs.replacing import Made, replace_runs, run_gone

__all__ = ["Joining", "join", "take_apart"]

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

    replace_runs(library, ordered, [Made(record, pieces)], [], stand_back, who=who, reason=reason)
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
    made = Made(
        shelved_record(library.layout, whole), tuple((r, 0, r.samples, t) for r, t in zip(ordered, times, strict=True))
    )
    ids = [r.facts.run_id for r in ordered]

    def stand_back(cursor: duckdb.DuckDBPyConnection) -> list[Change]:
        run_gone(cursor, ordered, who, f"joined again as run {whole.run_id}")
        changes = [Change("run", str(i), "joined into", None, str(whole.run_id)) for i in ids]
        return [*changes, Change("run", str(whole.run_id), "joined of", None, ", ".join(map(str, ids)))]

    replace_runs(library, ordered, [], [(made, whole)], stand_back, who=who, reason=reason)
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
                Made(shelved_record(library.layout, item), ((whole, item.first_row, item.samples, -item.offset_s),)),
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
            run_gone(cursor, [whole], who, f"split into runs {', '.join(map(str, ids))}")
            if is_grown:
                move_pairs(cursor, run_id, ids[0])
                back = [Change("run", str(ids[0]), "grown into", str(run_id), None)]
                return [*back, Change("run", str(run_id), "grown from", str(ids[0]), None)]
            changes = [Change("run", str(i), "joined into", str(run_id), None) for i in ids]
            return [*changes, Change("run", str(run_id), "joined of", ", ".join(map(str, ids)), None)]

        try:
            replace_runs(library, [whole], [], back, stand_back, who=who, reason=reason)
        except Moved:
            continue
        except OSError as error:
            raise DiskFault.of(error, "Parting") from error
        return Parting(run_id, tuple(ids), is_back=True)
