"""What is known of a run after its last sample: when it began and by which clock, what became of every column.

Knows plans and finished timelines. Reads and writes no sample.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from importers.clock.forms import utc_microseconds
from importers.clock.timeline import Timeline
from importers.decide.plan import Plan, RunPlan
from importers.schema import ClockReading, Conversion, Facts, ImportedRun, RunStart

__all__ = ["close_run"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def close_run(
    plan: Plan,
    run: RunPlan,
    start: RunStart,
    samples: int,
    timeline: Timeline,
    facts: Facts,
    *,
    zero_s: float,
    origin_us: int | None,
    first_date: int | None,
    is_first: bool,
) -> ImportedRun:
    """Say what is known of a run.

    Args:
        plan: the file's.
        run: the port's part of it.
        start: as the sink was told.
        samples: how many it got.
        timeline: with its notes and events.
        facts: what the tester states of this run.
        zero_s: clock reading of the run's first sample, from the file's first [s].
        origin_us: the file's first dated reading, microseconds of 1970.
        first_date: first reading of a date beside an elapsed clock, likewise.
        is_first: True for the port's first log in the file.
    """
    started, zone, note = _started(plan, facts, zero_s, origin_us, first_date, is_first=is_first)
    warnings = [
        f"{n[0].upper()}{n[1:]} ({c:,} times)." if c > 1 else f"{n[0].upper()}{n[1:]}."
        for n, c in timeline.notes.items()
    ]
    if run.note:
        warnings.append(f"{run.note[0].upper()}{run.note[1:]}.")
    clock = plan.clock
    names = tuple(plan.columns[i].name for i in clock.columns)
    events = tuple(replace(e, from_s=e.from_s - zero_s, to_s=e.to_s - zero_s) for e in timeline.events)
    reading = ClockReading(clock.source, names, clock.unit or clock.format, zone, note)
    conversions = _conversions(plan, run)
    return ImportedRun(start, samples, started, reading, conversions, bool(run.turned), events, tuple(warnings))


def _conversions(plan: Plan, run: RunPlan) -> tuple[Conversion, ...]:
    mine = {c.index: c for c in run.columns}
    others = {c.index for other in plan.runs for c in other.columns} - set(mine)
    found = []
    for column in plan.columns:
        if column.index in others:
            continue
        own = mine.get(column.index, column)
        found.append(Conversion(own.name, own.channel, own.unit, own.factor, own.offset, own.reason))
    return tuple(found)


def _started(
    plan: Plan, facts: Facts, zero_s: float, origin_us: int | None, first_date: int | None, *, is_first: bool
) -> tuple[datetime | None, str | None, str]:
    """When the run began, by which zone that was read, and what was assumed."""
    if facts.started is not None:
        stated = facts.started
        return (stated if stated.tzinfo else stated.replace(tzinfo=UTC)).astimezone(UTC), None, "start as stated"
    clock = plan.date_clock or plan.clock
    stamp: int | None = None
    if plan.date_clock is not None:
        stamp = first_date
    elif origin_us is not None and clock.source in {"wall clock", "unix", "serial day"}:
        stamp = origin_us + round(zero_s * 1e6)
    if stamp is not None:
        if clock.has_zone or clock.source == "unix":
            return _moment(stamp), None, ""
        return _local(plan.zone, stamp)
    if plan.day_us is not None and _is_time_of_day(plan, zero_s):
        found = _local(plan.zone, plan.day_us + (origin_us or 0) + round(zero_s * 1e6))
        return found[0], found[1], f"The day stands above the table, the time of day in its clock. {found[2]}"
    if plan.stated.started is not None and is_first:
        return plan.stated.started, plan.zone, plan.started_note
    return None, None, plan.started_note


def _is_time_of_day(plan: Plan, zero_s: float) -> bool:
    """Tell a time of day from elapsed time: by its label, or for it begins hours after zero (chosen by us: two)."""
    clock = plan.clock
    return clock.source == "time of day" or (clock.format == "h:m:s" and zero_s >= 7200.0)


def _local(zone: str, stamp: int) -> tuple[datetime | None, str | None, str]:
    first, second = utc_microseconds(stamp, zone), utc_microseconds(stamp, zone, latest=True)
    if first is None:
        return None, zone, f"The first local time does not exist in zone {zone}; the start is not used."
    note = f"Local times without a zone are read in {zone}."
    if first != second:
        note += " The first one occurs twice there (the clock is put back); the earlier is taken."
    return _moment(first), zone, note


def _moment(microseconds: int) -> datetime | None:
    try:
        return _EPOCH + timedelta(microseconds=microseconds)
    except OverflowError:
        return None
