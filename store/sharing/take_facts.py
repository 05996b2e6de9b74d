"""What another library says beside its runs: sheets, meters, settings, groups, pairs, amendments, profiles.

What is only there comes; what both tell alike stays; what they tell differently is a conflict. Knows catalogues.
"""

from __future__ import annotations

import shutil
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import duckdb

from store.catalogue import pending
from store.catalogue.amendments import Change, amend, append_told
from store.catalogue.connection import rows
from store.catalogue.run_records import append_rows
from store.catalogue.settings import read_settings, write_setting
from store.devices.saved import flat_sheet, list_meters, load_devices, save_device, save_meter
from store.files import durable
from store.runs import pairs
from store.runs.groups import take_group_id
from store.runs.run_store import RunStore
from store.sharing.colleague import Colleague
from store.sharing.conflicts import RUN_FACTS, Conflict, Prefer, Told, settle, told_differently
from store.words.clock import as_utc

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["FactsReport", "TiesReport", "take_facts", "tie_runs"]

_OWN_META = ("threshold:",)
"""Groups of settings that a library can have of its own, beside those that belong to runs and meters."""
_ROW = ("changed_at", "who", "program_version", "table_name", "key", "field", "old_value", "new_value", "reason")
_NUMBERED = {"paired with"}
"""Fields of amendments whose values are run numbers."""

Changes = dict[tuple[str, str], dict[str, tuple[str, datetime]]]
"""Of each thing, by kind and key: field to who changed it last, and when."""


@dataclass(frozen=True, slots=True)
class FactsReport:
    """What came of sheets, meters, settings and files."""

    devices: tuple[str, ...]
    meters: tuple[str, ...]
    settings: tuple[str, ...]
    files: tuple[str, ...]
    amendments: int
    conflicts: tuple[Conflict, ...]


@dataclass(frozen=True, slots=True)
class TiesReport:
    """What came of groups, pairs and amendments of runs."""

    amendments: int
    conflicts: tuple[Conflict, ...]


def take_facts(library: Store, other: Colleague, prefer: Prefer, *, is_dry: bool) -> FactsReport:
    """Bring sheets, meters with calibrations, settings, profiles and saved queries.

    Args:
        library: Ours.
        other: Theirs.
        prefer: Whose word counts where both tell a fact differently.
        is_dry: Look, and change nothing.
    """
    with other.catalogue.reader() as cursor:
        their_sheets, their_meters = load_devices(cursor), {meter.name: meter for meter in list_meters(cursor)}
        their_calibrations = rows(cursor, "SELECT * FROM catalogue.calibration ORDER BY ALL")
        their_settings = _settings(cursor)
        their_changes = _changes(cursor)
    with library.catalogue.reader() as cursor:
        my_sheets, my_meters = load_devices(cursor), {meter.name: meter for meter in list_meters(cursor)}
        my_calibrations = set(map(str, rows(cursor, "SELECT * FROM catalogue.calibration")))
        columns = cursor.sql("SELECT * FROM catalogue.calibration LIMIT 0").columns
        my_settings = _settings(cursor)
        my_changes = _changes(cursor)
    conflicts = [
        *_compared("device", _flat(my_sheets, flat_sheet), _flat(their_sheets, flat_sheet), my_changes, their_changes),
        *_compared("meter", _flat(my_meters, _meter), _flat(their_meters, _meter), my_changes, their_changes),
        *_compared("setting", my_settings, their_settings, my_changes, their_changes),
    ]
    settled = [replace(conflict, takes=settle(conflict, prefer)) for conflict in conflicts]
    new_devices = sorted(set(their_sheets) - set(my_sheets))
    new_meters = sorted(set(their_meters) - set(my_meters))
    new_settings = sorted(set(their_settings) - set(my_settings))
    new_files, file_conflicts = _files(library, other, prefer, is_dry=is_dry)
    report = FactsReport(
        tuple(new_devices),
        tuple(new_meters),
        tuple(new_settings),
        tuple(new_files),
        0,
        (*settled, *file_conflicts),
    )
    if is_dry:
        return report
    reason = f"taken from {other.name}"
    theirs_count = {(c.table, c.key) for c in settled if c.takes == "theirs"}
    with library.catalogue.writer() as cursor:
        for name in new_devices:
            save_device(cursor, their_sheets[name], library.who, reason)
        for name in sorted(key for table, key in theirs_count if table == "device"):
            save_device(cursor, _merged_sheet(my_sheets[name], their_sheets[name], settled, name), library.who, reason)
            pending.note(cursor, "device = ?", [name])
        for name in new_meters:
            save_meter(cursor, replace(their_meters[name], calibrated_on=None), library.who, reason)
        for name in sorted(key for table, key in theirs_count if table == "meter"):
            fields = {c.field: c.theirs.value or "" for c in settled if c.key == name and c.takes == "theirs"}
            save_meter(cursor, replace(my_meters[name], calibrated_on=None, **fields), library.who, reason)
            pending.note(cursor, "meter = ?", [name])
        fresh = [row for row in their_calibrations if str(row) not in my_calibrations]
        append_rows(cursor, "calibration", [dict(zip(columns, row, strict=True)) for row in fresh])
        for name in new_settings:
            _write_setting(cursor, name, None, their_settings[name]["value"], who=library.who, reason=reason)
        for conflict in settled:
            if conflict.table == "setting" and conflict.takes == "theirs":
                _write_setting(
                    cursor, conflict.key, conflict.mine.value, conflict.theirs.value, who=library.who, reason=reason
                )
                pending.note(cursor, "true")
    return report


def tie_runs(library: Store, other: Colleague, taken: Sequence[int], prefer: Prefer) -> TiesReport:
    """Bring what ties runs together, their amendments, and what both tell of the runs that both have.

    Args:
        library: Ours, with the runs that came.
        other: Theirs.
        taken: Our numbers of the runs that came just now.
        prefer: Whose word counts where both tell a fact differently.
    """
    with other.catalogue.reader() as cursor:
        their_runs = _runs(cursor)
        their_groups = _groups(cursor)
        their_pairs = {int(a): int(b) for a, b in read_settings(cursor, pairs.GROUP).items()}
        their_changes = _changes(cursor)
        told: list[Any] = rows(cursor, f"SELECT {', '.join(_ROW)} FROM catalogue.amendment ORDER BY seq")
        last = rows(cursor, "SELECT chain FROM catalogue.amendment ORDER BY seq DESC LIMIT 1")
    with library.catalogue.reader() as cursor:
        my_runs, my_changes = _runs(cursor), _changes(cursor)
    here = {run["uid"]: run_id for run_id, run in my_runs.items()}
    numbers = {run_id: here[run["uid"]] for run_id, run in their_runs.items() if run["uid"] in here}
    conflicts: list[Conflict] = []
    for their_id, my_id in numbers.items():
        if my_id in set(taken):
            continue
        conflicts += told_differently(
            "run",
            str(my_id),
            {name: my_runs[my_id][name] for name in RUN_FACTS},
            {name: their_runs[their_id][name] for name in RUN_FACTS},
            my_changes=my_changes.get(("run", str(my_id)), {}),
            their_changes=their_changes.get(("run", str(their_id)), {}),
        )
    settled = [replace(conflict, takes=settle(conflict, prefer)) for conflict in conflicts]
    with library.catalogue.writer() as cursor:
        added = _tell(cursor, told, numbers, who=library.who, other=other, last_link=str(last[0][0]) if last else "")
        _tie_groups(cursor, their_groups, numbers)
        settled += _tie_pairs(cursor, their_pairs, numbers, prefer=prefer, who=library.who, name=other.name)
    changes: dict[int, dict[str, object]] = defaultdict(dict)
    for conflict in settled:
        if conflict.takes == "theirs" and conflict.field in RUN_FACTS:
            changes[int(conflict.key)][conflict.field] = _typed(conflict.field, conflict.theirs.value)
    for run_id, facts in changes.items():
        library.service(RunStore).edit([run_id], facts, reason=f"taken from {other.name}")
    return TiesReport(added, tuple(settled))


def _typed(field: str, value: str | None) -> object:
    if value is None:
        return None
    if field in {"ambient_c", "cable_mohm"}:
        return float(value)
    return datetime.fromisoformat(value) if field == "started_at" else value


def _runs(cursor: duckdb.DuckDBPyConnection) -> dict[int, dict[str, str | None]]:
    found = rows(cursor, f"SELECT run_id, uid, {', '.join(RUN_FACTS)} FROM catalogue.run")
    return {
        int(row[0]): dict(zip(("uid", *RUN_FACTS), [_text(value) for value in row[1:]], strict=True)) for row in found
    }


def _text(value: object) -> str | None:
    if isinstance(value, datetime):
        return (as_utc(value) or value).isoformat()
    return None if value is None or value == "" else str(value)


def _flat(things: Mapping[str, Any], flat: Callable[[Any], dict[str, str | None]]) -> dict[str, dict[str, str | None]]:
    return {name: flat(thing) for name, thing in things.items()}


def _meter(meter: Any) -> dict[str, str | None]:
    names = ("voltage_spec", "current_spec", "temperature_spec", "power_spec", "note")
    return {name: _text(getattr(meter, name)) for name in names}


def _compared(
    table: str,
    mine: Mapping[str, dict[str, str | None]],
    theirs: Mapping[str, dict[str, str | None]],
    my_changes: Changes,
    their_changes: Changes,
) -> list[Conflict]:
    found: list[Conflict] = []
    for key in sorted(set(mine) & set(theirs)):
        found += told_differently(
            table,
            key,
            mine[key],
            theirs[key],
            my_changes=my_changes.get((table, key), {}),
            their_changes=their_changes.get((table, key), {}),
        )
    return found


def _changes(cursor: duckdb.DuckDBPyConnection) -> Changes:
    found: Changes = defaultdict(dict)
    sql = "SELECT table_name, key, field, who, changed_at FROM catalogue.amendment ORDER BY seq"
    for table, key, field, who, at in rows(cursor, sql):
        found[(str(table), str(key))][str(field)] = (str(who), at)
    return found


def _settings(cursor: duckdb.DuckDBPyConnection) -> dict[str, dict[str, str | None]]:
    found = rows(cursor, "SELECT key, value FROM catalogue.meta ORDER BY key")
    return {str(key): {"value": str(value)} for key, value in found if str(key).startswith(_OWN_META)}


def _write_setting(
    cursor: duckdb.DuckDBPyConnection, key: str, old: str | None, new: str | None, *, who: str, reason: str
) -> None:
    group, _, name = key.partition(":")
    write_setting(cursor, group, name, new)
    amend(cursor, [Change(group, name, "value", old, new)], who, reason)


def _merged_sheet(mine: Any, theirs: Any, settled: Iterable[Conflict], name: str) -> Any:
    """Our sheet with the fields that theirs settle; ports, marks and claims go as the whole list that holds one."""
    fields = {c.field for c in settled if c.table == "device" and c.key == name and c.takes == "theirs"}
    lists = {"port ": "ports", "mark ": "marks", "claim ": "claims"}
    plain = {field for field in fields if not field.startswith(tuple(lists))}
    whole = {lists[begin] for begin in lists for field in fields if field.startswith(begin)}
    return replace(mine, **{field: getattr(theirs, field) for field in plain | whole})


def _tell(
    cursor: duckdb.DuckDBPyConnection,
    told: Sequence[Any],
    numbers: Mapping[int, int],
    *,
    who: str,
    other: Colleague,
    last_link: str,
) -> int:
    """Append their amendments that we lack, under our numbers of runs; how many."""
    known = set(map(tuple, rows(cursor, f"SELECT {', '.join(_ROW)} FROM catalogue.amendment")))
    fresh = []
    for row in told:
        values = dict(zip(_ROW, row, strict=True))
        if values["table_name"] == "run":
            if not values["key"].isdigit() or int(values["key"]) not in numbers:
                continue
            values["key"] = str(numbers[int(values["key"])])
            if values["field"] in _NUMBERED:
                for name in ("old_value", "new_value"):
                    values[name] = _renumbered(values[name], numbers)
        if values["table_name"] == "library" or tuple(values.values()) in known:
            continue
        fresh.append(values)
    append_told(cursor, fresh)
    if fresh and last_link:
        change = Change("library", other.uid, "chain", None, last_link)
        amend(cursor, [change], who, f"amendments taken from {other.name}, whose chain ended with this value")
    counts = "SELECT key, count(*) AS n FROM catalogue.amendment WHERE table_name = 'run' GROUP BY key"
    cursor.execute(
        f"UPDATE catalogue.run SET amendment_count = c.n FROM ({counts}) c "
        "WHERE CAST(run.run_id AS VARCHAR) = c.key AND run.amendment_count <> c.n"
    )
    return len(fresh)


def _renumbered(value: str | None, numbers: Mapping[int, int]) -> str | None:
    if value is None or not value.isdigit():
        return value
    return str(numbers.get(int(value), value))


def _groups(cursor: duckdb.DuckDBPyConnection) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = defaultdict(list)
    sql = (
        "SELECT group_id, run_id, group_offset_s, group_offset_uncertainty_s, group_method FROM catalogue.run "
        "WHERE group_id IS NOT NULL ORDER BY group_id, run_id"
    )
    for row in rows(cursor, sql):
        found[int(row[0])].append(row[1:])
    return found


def _tie_groups(cursor: duckdb.DuckDBPyConnection, groups: Mapping[int, list[Any]], numbers: Mapping[int, int]) -> None:
    """Group here what is grouped there: with what is grouped here already, else as a new group.

    A member that both group ties the two time bases; where members lie in several groups here, ours stay as they are.
    """
    for members in groups.values():
        here = [(numbers[run_id], *told) for run_id, *told in members if run_id in numbers]
        sql = (
            "SELECT run_id, group_id, group_offset_s FROM catalogue.run "
            "WHERE group_id IS NOT NULL AND run_id IN (SELECT unnest(?::BIGINT[]))"
        )
        grouped = {int(row[0]): row[1:] for row in rows(cursor, sql, [[member[0] for member in here]])}
        mine = {group for group, _ in grouped.values()}
        loose = [member for member in here if member[0] not in grouped]
        if len(here) < 2 or len(mine) > 1 or not loose:
            continue
        shift = 0.0
        if mine:
            group_id = int(mine.pop())
            tie = next(member for member in here if member[0] in grouped)
            shift = float(grouped[tie[0]][1] or 0.0) - float(tie[1] or 0.0)
        else:
            group_id = take_group_id(cursor)
        for my_id, offset, uncertainty, method in loose:
            cursor.execute(
                "UPDATE catalogue.run SET group_id = ?, group_offset_s = ?, group_offset_uncertainty_s = ?, "
                "group_method = ? WHERE run_id = ?",
                [group_id, (offset or 0.0) + shift, uncertainty, method, my_id],
            )


def _tie_pairs(
    cursor: duckdb.DuckDBPyConnection,
    theirs: Mapping[int, int],
    numbers: Mapping[int, int],
    *,
    prefer: Prefer,
    who: str,
    name: str,
) -> list[Conflict]:
    mine = read_settings(cursor, pairs.GROUP)
    conflicts = []
    for one, partner in theirs.items():
        if one not in numbers or partner not in numbers:
            continue
        key, value = str(numbers[one]), str(numbers[partner])
        if key not in mine:
            write_setting(cursor, pairs.GROUP, key, value)
        elif mine[key] != value:
            found = Conflict("run", key, "paired with", Told(mine[key]), Told(value))
            found = replace(found, takes=settle(found, prefer))
            conflicts.append(found)
            if found.takes == "theirs":
                write_setting(cursor, pairs.GROUP, key, value)
                amend(cursor, [Change("run", key, "paired with", mine[key], value)], who, f"taken from {name}")
    return conflicts


def _files(library: Store, other: Colleague, prefer: Prefer, *, is_dry: bool) -> tuple[list[str], list[Conflict]]:
    """Profiles and saved queries that are only there; one of the same name that says something else is a conflict."""
    came: list[str] = []
    conflicts: list[Conflict] = []
    for path in other.layout.own_files():
        own = library.layout.profiles if path.parent == other.layout.profiles else library.layout.queries
        name = (own / path.name).relative_to(library.layout.root)
        target = library.layout.root / name
        if target.exists():
            if target.read_bytes() == path.read_bytes():
                continue
            found = Conflict(
                "file", name.as_posix(), "text", Told(target.read_text("utf-8")), Told(path.read_text("utf-8"))
            )
            found = replace(found, takes=settle(found, prefer))
            conflicts.append(found)
            if found.takes != "theirs":
                continue
        came.append(name.as_posix())
        if is_dry:
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        tmp = durable.new_temporary(library.layout.tmp, path.suffix)
        shutil.copyfile(path, tmp)
        durable.place(tmp, target)
    return came, conflicts
