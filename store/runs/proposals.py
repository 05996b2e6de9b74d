"""Runs that look like parts of one log, or like logs of one moment: proposed, never decided.

What two logs look like at their border is arithmetic on `LogSpan`; the rest fetches those. Nothing is stored here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import combinations, permutations
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa

from store.catalogue.connection import rows
from store.catalogue.run_records import RunRecord
from store.files.traces import read_samples, to_arrays
from store.runs.recompute import load_records
from store.runs.run_store import RunStore
from store.words.clock import to_stored
from store.words.numbers import significant

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["LogSpan", "Proposal", "accept", "proposals", "propose"]

MOST_GAP_S = 120.0
"""Most time between two parts of one dated log [s]: a meter that begins a new file, or is started again at once."""
MOST_UNDATED_GAP_S = 600.0
"""The same where a counter alone tells of it [s]; for longer its step says little of how long nothing was logged."""
SAME_VOLTAGE = 0.03
"""Share by which voltage may differ across the border of two parts."""
SAME_FLOW = 0.10
"""Share by which current and power may differ there."""
LEAST_FLOW_A = 0.02
"""Current under which nothing flows, so that equal levels tell nothing [A]."""
LEAST_OVERLAP = 0.5
"""Share of the shorter log that two logs of one moment have in common."""
LEAST_OVERLAP_S = 30.0
# All chosen by us.

_MUST_AGREE = ("device", "port", "kind", "mode", "meter")


@dataclass(frozen=True, slots=True)
class LogSpan:
    """What is needed of a run to see whether it belongs to another."""

    run_id: int
    source: str
    """SHA-256 of the export."""
    facts: Mapping[str, str | None]
    """device, port, kind, mode and meter, None where unknown."""
    group_id: int | None
    started_at: datetime | None
    duration_s: float
    interval_s: float | None
    channels: frozenset[str]
    first: Mapping[str, float]
    """First values by channel, those that are there."""
    last: Mapping[str, float]

    @property
    def ended_at(self) -> datetime | None:
        """When its last sample was taken."""
        return None if self.started_at is None else self.started_at + timedelta(seconds=self.duration_s)


@dataclass(frozen=True, slots=True)
class Proposal:
    """Runs that belong together, as far as can be seen."""

    how: str
    """`join`: parts of one log, in order; `group`: logs of one moment."""
    run_ids: tuple[int, ...]
    reason: str
    is_dated: bool = True
    """Whether start times lay them on one clock; where not, ports of one file have one clock anyway."""

    @property
    def command(self) -> str:
        """What does it on the command line."""
        listed = " ".join(map(str, self.run_ids))
        offsets = "" if self.is_dated or self.how == "join" else "".join(f" --offset {i}=0" for i in self.run_ids[1:])
        return f"joulebook {self.how} {listed}{offsets}"


def propose(spans: Sequence[LogSpan]) -> tuple[Proposal, ...]:
    """What belongs together among some runs.

    Args:
        spans: The runs.
    """
    return (*_joins(spans), *_groups(spans))


def _joins(spans: Sequence[LogSpan]) -> list[Proposal]:
    """Chains of parts, each run in one chain at most: of several that could follow, the one after the shortest gap."""
    found = [
        (seen[0], one.run_id, other.run_id, seen[1])
        for one, other in permutations(spans, 2)
        if (seen := _goes_on(one, other)) is not None
    ]
    after: dict[int, tuple[int, str]] = {}
    before: set[int] = set()
    for _, one_id, other_id, reason in sorted(found):
        if one_id not in after and other_id not in before:
            after[one_id] = (other_id, reason)
            before.add(other_id)
    made = []
    for start in after.keys() - before:
        chain, reasons = [start], []
        while chain[-1] in after:
            following, reason = after[chain[-1]]
            chain.append(following)
            reasons.append(reason)
        made.append(Proposal("join", tuple(chain), "; ".join(dict.fromkeys(reasons))))
    return sorted(made, key=lambda p: p.run_ids)


def _goes_on(one: LogSpan, other: LogSpan) -> tuple[float, str] | None:
    """The time between two parts of one log [s] and what tells it; None where they are none."""
    if any(_differ(one.facts.get(name), other.facts.get(name)) for name in _MUST_AGREE):
        return None
    if one.channels != other.channels or not _same_pace(one, other):
        return None
    told = []
    gap_s: float | None = None
    if one.ended_at is not None and other.started_at is not None:
        gap_s = (other.started_at - one.ended_at).total_seconds()
        if not 0.0 < gap_s <= max(MOST_GAP_S, 10 * (one.interval_s or 0.0)):
            return None
        told.append(f"the clock continues after {significant(gap_s, 3)} s")
    counter = _counter_step(one, other, MOST_UNDATED_GAP_S if gap_s is None else gap_s)
    if counter:
        told.append(counter)
    level = _same_level(one, other)
    if level:
        told.append(level)
    return (gap_s or 0.0, ", ".join(told)) if len(told) >= 2 and level else None


def _differ(one: object, other: object) -> bool:
    return one is not None and other is not None and one != other


def _same_pace(one: LogSpan, other: LogSpan) -> bool:
    if not one.interval_s or not other.interval_s:
        return True
    return 2 / 3 <= one.interval_s / other.interval_s <= 3 / 2


def _counter_step(one: LogSpan, other: LogSpan, most_s: float) -> str:
    """What a counter that goes on tells; empty where none does."""
    for counter, flow, unit in (("energy_wh", "power_w", "Wh"), ("charge_ah", "current_a", "Ah")):
        if counter not in one.last or counter not in other.first or one.last[counter] <= 0.0:
            continue
        step = other.first[counter] - one.last[counter]
        rate = max(_flow(end, flow) for end in (one.last, other.first))
        if 0.0 <= step <= 2 * rate * (most_s + (one.interval_s or 1.0)) / 3600 + 0.002:
            shown = " to ".join(significant(value[counter], 4) for value in (one.last, other.first))
            return f"the counter continues from {shown} {unit}"
    return ""


def _flow(values: Mapping[str, float], name: str) -> float:
    """What a counter sums up: power [W] or current [A]; power from volts and amperes where it is not logged."""
    if name in values:
        return abs(values[name])
    return abs(values.get("voltage_v", 0.0) * values.get("current_a", 0.0)) if name == "power_w" else 0.0


def _same_level(one: LogSpan, other: LogSpan) -> str:
    """Volts and amperes that are the same on both sides of the border while something flows; empty where not."""
    ends = (one.last, other.first)
    if any(abs(end.get("current_a", 0.0)) < LEAST_FLOW_A for end in ends):
        return ""
    for name, share in (("voltage_v", SAME_VOLTAGE), ("current_a", SAME_FLOW)):
        if name not in ends[0] or name not in ends[1]:
            return ""
        larger = max(abs(end[name]) for end in ends)
        if abs(ends[0][name] - ends[1][name]) > share * larger:
            return ""
    volts, amps = (significant(one.last[name], 3) for name in ("voltage_v", "current_a"))
    return f"{volts} V and {amps} A on both sides"


def _groups(spans: Sequence[LogSpan]) -> list[Proposal]:
    """Logs of one moment, each with all that share it."""
    sets: list[tuple[set[int], list[str], bool]] = []
    for one, other in combinations(spans, 2):
        told = _same_moment(one, other)
        if told is None:
            continue
        reason, is_dated = told
        touching = [item for item in sets if item[0] & {one.run_id, other.run_id} and item[2] == is_dated]
        merged = ({one.run_id, other.run_id}, [reason], is_dated)
        for item in touching:
            merged = (merged[0] | item[0], [*item[1], *merged[1]], is_dated)
            sets.remove(item)
        sets.append(merged)
    return [Proposal("group", tuple(sorted(ids)), "; ".join(dict.fromkeys(why)), dated) for ids, why, dated in sets]


def _same_moment(one: LogSpan, other: LogSpan) -> tuple[str, bool] | None:
    if one.group_id is not None and one.group_id == other.group_id:
        return None
    if _differ(one.facts.get("device"), other.facts.get("device")):
        return None
    is_elsewhere = _differ(one.facts.get("port"), other.facts.get("port"))
    is_other = one.channels.isdisjoint(other.channels)
    if not is_elsewhere and not is_other:
        return None  # two logs of one place: one of them is too many, or the port is not stated
    if one.started_at is None or other.started_at is None or one.ended_at is None or other.ended_at is None:
        alike = one.source == other.source and abs(one.duration_s - other.duration_s) <= 2 * (one.interval_s or 1.0)
        return ("ports of one file", False) if alike and one.started_at == other.started_at else None
    shared_s = (min(one.ended_at, other.ended_at) - max(one.started_at, other.started_at)).total_seconds()
    if shared_s < LEAST_OVERLAP_S or shared_s < LEAST_OVERLAP * min(one.duration_s, other.duration_s):
        return None
    if one.source == other.source:
        return "ports of one file", True
    return "logged at the same time", True


def proposals(library: Store, run_ids: Iterable[int]) -> tuple[Proposal, ...]:
    """What some runs, just imported, belong together with: among themselves, or runs that are there.

    Args:
        library: The library.
        run_ids: The runs; those that are gone are left out.

    Returns:
        Proposals that each name one of the runs at least.
    """
    wanted = set(run_ids)
    with library.catalogue.reader() as cursor:
        sql = "SELECT run_id FROM catalogue.run WHERE run_id IN (SELECT unnest(?::BIGINT[]))"
        wanted = {int(row[0]) for row in rows(cursor, sql, [sorted(wanted)])}
        records = load_records(cursor, sorted(wanted)) if wanted else []
        near = set()
        for record in records:
            near |= _near(cursor, record)
        records += load_records(cursor, sorted(near - wanted)) if near - wanted else []
    spans = [span for record in records if (span := _span(library, record)) is not None]
    return tuple(proposal for proposal in propose(spans) if wanted & set(proposal.run_ids))


def _near(cursor: duckdb.DuckDBPyConnection, record: RunRecord) -> set[int]:
    """Runs of the time around a dated one, and of its file."""
    started = record.facts.started_at
    sql = "SELECT run_id FROM catalogue.run WHERE source_sha256 = ?"
    values: list[object] = [record.provenance.source_sha256]
    if started is not None:
        reach = timedelta(seconds=max(MOST_GAP_S, 10 * (record.interval_s or 0.0)))
        end = started + timedelta(seconds=record.duration_s)
        sql += " OR (started_at <= ? AND epoch(started_at) + duration_s >= epoch(?::TIMESTAMP))"
        values += [to_stored(end + reach), to_stored(started - reach)]
    return {int(row[0]) for row in rows(cursor, sql + " LIMIT 64", values)}


def _span(library: Store, record: RunRecord) -> LogSpan | None:
    facts = record.facts
    try:
        ends = [_values(library, record, row) for row in (0, record.samples - 1)]
    except (OSError, pa.ArrowException):
        return None  # a damaged trace is for `verify` to name
    return LogSpan(
        run_id=facts.run_id,
        source=record.provenance.source_sha256,
        facts={name: getattr(facts, name) for name in _MUST_AGREE},
        group_id=facts.group_id,
        started_at=facts.started_at,
        duration_s=record.duration_s,
        interval_s=record.interval_s,
        channels=frozenset(record.channels),
        first=ends[0],
        last=ends[1],
    )


def _values(library: Store, record: RunRecord, row: int) -> dict[str, float]:
    path = library.layout.absolute(record.provenance.trace_file)
    table = pa.concat_tables(read_samples(path, record.first_row + row, 1, record.channels))
    return {name: float(values[0]) for name, values in to_arrays(table).items() if values[0] == values[0]}


def accept(library: Store, proposal: Proposal, *, who: str | None = None) -> int:
    """Do what is proposed.

    Returns:
        The joined run, or the first of the group.

    Raises:
        WrongFact: It can't be done after all, with the reason.
    """
    ids = proposal.run_ids
    if proposal.how == "join":
        return library.service(RunStore).join(ids, who=who, reason=proposal.reason).run_id
    if proposal.is_dated:
        library.service(RunStore).group(ids, who=who, reason=proposal.reason)
    else:
        library.service(RunStore).group(
            ids, how="stated", offsets_s=dict.fromkeys(ids, 0.0), who=who, reason=proposal.reason
        )
    return ids[0]
