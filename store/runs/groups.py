"""Runs laid on one clock: by their start times, by stated offsets, or by an event that both saw.

The search for a shared event is pure arithmetic; the rest is rows of the catalogue.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import duckdb
import numpy as np

from store.catalogue.amendments import Change, amend
from store.catalogue.connection import rows
from store.errors import NotFound, WrongFact
from store.files.traces import ParquetTrace
from store.model.results import Array
from store.runs.sample_store import SampleStore

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["GroupMember", "SharedEvent", "find_offset", "group", "take_group_id", "ungroup"]

WAYS = ("times", "stated", "event")

_SIGNALS = ("power_w", "current_a", "voltage_v", "temperature_c")
"""Channels in which a switched load shows, the clearest first."""

_GRID_POINTS = 1 << 20
"""Most points of the common grid: a day at 0.1 s; chosen by us so that a correlation takes under a second."""

_NEEDED_CORRELATION = 0.5
"""Correlation of the steps under which we see no shared event; chosen by us: noise alone stays under 0.3."""

_RIVAL_SHARE = 0.9
"""A second peak this near to the first makes the offset ambiguous; chosen by us."""


@dataclass(frozen=True, slots=True)
class GroupMember:
    """A run in a group."""

    run_id: int
    offset_s: float
    """Add to the run's own t_s to get the group's clock [s]."""
    uncertainty_s: float | None
    """Standard uncertainty of the offset [s]; None where nothing is known of it."""
    method: str


@dataclass(frozen=True, slots=True)
class SharedEvent:
    """An offset found by correlating two signals."""

    offset_s: float
    """Add to the second signal's times to lay it on the first's clock [s]."""
    uncertainty_s: float
    correlation: float
    """Of the steps at the best offset, 0 to 1."""


def _steps_on_grid(t_s: Array, values: Array, step_s: float, count: int) -> Array:
    """Changes of a signal between points of a grid from its first sample, larger than its noise, normalised."""
    keep = ~(np.isnan(values) | np.isnan(t_s))
    if keep.sum() < 3:
        return np.zeros(count)
    grid = np.arange(count) * step_s
    level = np.interp(grid, t_s[keep], values[keep])
    change = np.abs(np.diff(level, prepend=level[0]))
    change[grid > t_s[keep][-1]] = 0.0
    noise = 5 * np.median(change[change > 0]) if (change > 0).any() else 0.0
    steps: Array = np.where(change <= noise, 0.0, change)
    return steps


def find_offset(first: tuple[Array, Array], second: tuple[Array, Array]) -> SharedEvent | None:
    """The offset between two logs of one event, by cross-correlation of their steps.

    Args:
        first: Times [s] from the first sample and a signal of the first log.
        second: The same of the second.

    Returns:
        The offset with its uncertainty, or None where no step is shared or two offsets fit equally well.

    Method: sizes of changes on a common grid, correlated by FFT; the peak is refined by its centre of gravity over
    three points. Uncertainty: an event lies anywhere within one sampling interval of each log, taken as rectangular,
    so u^2 = (d1^2 + d2^2) / 12 (GUM 4.3.7).
    """
    interval_1, interval_2 = (float(np.median(np.diff(t))) if len(t) > 1 else 0.0 for t in (first[0], second[0]))
    if interval_1 <= 0 or interval_2 <= 0:
        return None
    span = max(float(first[0][-1]), float(second[0][-1]))
    step_s = max(min(interval_1, interval_2), 2 * span / _GRID_POINTS)
    count = int(span / step_s) + 2
    a, b = (_steps_on_grid(t, v, step_s, count) for t, v in (first, second))
    norm = float(np.sqrt((a @ a) * (b @ b)))
    if norm == 0.0:
        return None
    size = 1 << (2 * count - 1).bit_length()
    match = np.fft.irfft(np.fft.rfft(a, size) * np.conj(np.fft.rfft(b, size)), size) / norm
    best = int(np.argmax(match))
    reach = max(3, int(np.ceil(2 * max(interval_1, interval_2) / step_s)))
    near = (best + np.arange(-reach, reach + 1)) % size
    rest = match.copy()
    rest[near] = 0.0
    # A step that falls between samples is smeared over the slower log's interval: its whole hill counts.
    hill = float(np.sqrt(np.sum(np.clip(match[near], 0, None) ** 2)))
    if hill < _NEEDED_CORRELATION or float(rest.max()) > _RIVAL_SHARE * float(match[best]):
        return None
    weights = np.clip(match[near], 0, None)
    lag = best if best < size // 2 else best - size
    refined = lag + float(np.sum(weights * np.arange(-reach, reach + 1)) / np.sum(weights))
    u = float(np.sqrt((interval_1**2 + interval_2**2) / 12 + step_s**2 / 12))
    return SharedEvent(refined * step_s, u, min(hill, 1.0))


def _signal(channel: str, place: Any) -> tuple[Array, Array]:
    path, first_row, count, _, _ = place
    pieces = list(ParquetTrace(path, first_row, count, (channel,)).chunks((channel,)))
    return (np.concatenate([p["t_s"] for p in pieces]), np.concatenate([p[channel] for p in pieces]))


def _by_event(library: Store, run_ids: Sequence[int]) -> list[GroupMember]:
    places = {run_id: library.service(SampleStore).place(run_id) for run_id in run_ids}
    reference = run_ids[0]
    found = [GroupMember(reference, 0.0, 0.0, "reference")]
    for run_id in run_ids[1:]:
        best: SharedEvent | None = None
        used = ("", "")
        for mine in _SIGNALS:
            for its in _SIGNALS:
                if mine not in places[reference][3] or its not in places[run_id][3]:
                    continue
                event = find_offset(_signal(mine, places[reference]), _signal(its, places[run_id]))
                if event and (best is None or event.correlation > best.correlation):
                    best, used = event, (mine, its)
        if best is None:
            raise WrongFact(
                f"Runs {reference} and {run_id} have no clear load step in common. "
                "State the offset instead, or group by times."
            )
        method = f"shared step in {used[0]} and {used[1]}, correlation {best.correlation:.2f}"
        found.append(GroupMember(run_id, best.offset_s, best.uncertainty_s, method))
    return found


def _by_times(cursor: duckdb.DuckDBPyConnection, run_ids: Sequence[int]) -> list[GroupMember]:
    sql = "SELECT run_id, epoch(started_at) FROM catalogue.run WHERE run_id IN (SELECT unnest(?::BIGINT[]))"
    found: list[Any] = rows(cursor, sql, [list(run_ids)])
    started = dict(found)
    for run_id in run_ids:
        if started.get(run_id) is None:
            raise WrongFact(f"Run {run_id} has no start time. State the offset instead, or group by a shared event.")
    reference = run_ids[0]
    return [
        GroupMember(
            run_id,
            float(started[run_id] - started[reference]),
            0.0 if run_id == reference else None,
            "reference" if run_id == reference else "start times as logged",
        )
        for run_id in run_ids
    ]


def _by_statement(run_ids: Sequence[int], offsets_s: Mapping[int, float]) -> list[GroupMember]:
    reference = run_ids[0]
    for run_id in run_ids[1:]:
        if run_id not in offsets_s:
            raise WrongFact(f"State the offset of run {run_id} against run {reference} in seconds.")
    base = offsets_s.get(reference, 0.0)
    found = [GroupMember(r, float(offsets_s[r] - base), None, "stated") for r in run_ids[1:]]
    return [GroupMember(reference, 0.0, 0.0, "reference"), *found]


def group(
    library: Store, run_ids: Sequence[int], how: str, offsets_s: Mapping[int, float], *, who: str, reason: str
) -> tuple[GroupMember, ...]:
    """Put simultaneous runs on a common time base: see `RunStore.group`."""
    ids = list(dict.fromkeys(run_ids))
    if how not in WAYS:
        raise WrongFact(f"Runs are grouped by one of {', '.join(WAYS)}, not {how}.")
    if len(ids) < 2:
        raise WrongFact("A group needs two runs or more.")
    with library.catalogue.reader() as cursor:
        _check_there(cursor, ids)
        found = _by_times(cursor, ids) if how == "times" else None
    if how == "event":
        found = _by_event(library, ids)
    elif how == "stated":
        found = _by_statement(ids, offsets_s)
    members_found = tuple(found or ())
    with library.catalogue.writer() as cursor:
        _check_there(cursor, ids)
        group_id = take_group_id(cursor)
        _set(cursor, group_id, members_found, who, reason)
        _dissolve_singles(cursor, who, "only one run was left")
    return members_found


def take_group_id(cursor: duckdb.DuckDBPyConnection) -> int:
    """A number that no group has or had, taken inside the caller's transaction."""
    sql = (
        "SELECT coalesce(max(taken), 0) + 1 FROM (SELECT CAST(value AS BIGINT) AS taken FROM catalogue.meta "
        "WHERE key = 'last_group' UNION ALL SELECT max(group_id) FROM catalogue.run)"
    )
    group_id = int(rows(cursor, sql)[0][0])
    cursor.execute("DELETE FROM catalogue.meta WHERE key = 'last_group'")
    cursor.execute("INSERT INTO catalogue.meta VALUES ('last_group', ?)", [str(group_id)])
    return group_id


def _check_there(cursor: duckdb.DuckDBPyConnection, ids: Sequence[int]) -> None:
    sql = "SELECT run_id FROM catalogue.run WHERE run_id IN (SELECT unnest(?::BIGINT[]))"
    there = {row[0] for row in rows(cursor, sql, [list(ids)])}
    for run_id in ids:
        if run_id not in there:
            raise NotFound.of("run", run_id)


def _set(
    cursor: duckdb.DuckDBPyConnection, group_id: int | None, found: Sequence[GroupMember], who: str, reason: str
) -> None:
    changes: list[Change] = []
    for member in found:
        sql = "SELECT group_id, group_offset_s FROM catalogue.run WHERE run_id = ?"
        old_group, old_offset = rows(cursor, sql, [member.run_id])[0]
        key, before = str(member.run_id), len(changes)
        offset, u, method = (member.offset_s, member.uncertainty_s, member.method) if group_id else (None, None, None)
        if old_group != group_id:
            changes.append(Change("run", key, "group_id", _text(old_group), _text(group_id)))
        if old_offset != offset:
            changes.append(Change("run", key, "group_offset_s", _text(old_offset), _text(offset)))
        cursor.execute(
            "UPDATE catalogue.run SET group_id = ?, group_offset_s = ?, group_offset_uncertainty_s = ?, "
            "group_method = ?, amendment_count = amendment_count + ? WHERE run_id = ?",
            [group_id, offset, u, method, len(changes) - before, member.run_id],
        )
    amend(cursor, changes, who, reason)


def _text(value: object) -> str | None:
    return None if value is None else str(value)


def _dissolve_singles(cursor: duckdb.DuckDBPyConnection, who: str, reason: str) -> int:
    sql = (
        "SELECT run_id FROM catalogue.run WHERE group_id IN "
        "(SELECT group_id FROM catalogue.run WHERE group_id IS NOT NULL GROUP BY group_id HAVING count(*) = 1)"
    )
    found: list[Any] = rows(cursor, sql)
    _set(cursor, None, [GroupMember(row[0], 0.0, None, "") for row in found], who, reason)
    return len(found)


def ungroup(library: Store, run_ids: Sequence[int], who: str, reason: str) -> int:
    """Take runs out of their groups: see `RunStore.ungroup`."""
    ids = list(dict.fromkeys(run_ids))
    with library.catalogue.writer() as cursor:
        _check_there(cursor, ids)
        sql = "SELECT run_id FROM catalogue.run WHERE group_id IS NOT NULL AND run_id IN (SELECT unnest(?::BIGINT[]))"
        found: list[Any] = rows(cursor, sql, [ids])
        _set(cursor, None, [GroupMember(row[0], 0.0, None, "") for row in found], who, reason)
        return len(found) + _dissolve_singles(cursor, who, "only one run was left")
