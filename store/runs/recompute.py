"""Results again: by today's methods, or because a fact they depend on changed. The old values stay, superseded.

Traces are read and reduced with nothing held; each portion is then stored in one transaction.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import duckdb
import pyarrow as pa

from importers.schema import TraceEvent
from store.catalogue import pending
from store.catalogue.connection import rows
from store.catalogue.run_records import RunRecord, append_rows, event_rows, main_columns, result_rows
from store.catalogue.shelved import Shelved, find_shelved
from store.errors import NotFound, PartlyDone
from store.files.layout import Layout
from store.methods.changes import method_changes
from store.runs import listing
from store.runs.reducing import portions_again

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["ResultChange", "load_records", "recompute", "recompute_due", "replace_results", "shelved_record"]

_COMPARED = ("name", "value", "unit", "uncertainty", "text", "method", "method_version", "from_s", "to_s", "reason")


@dataclass(frozen=True, slots=True)
class ResultChange:
    """A result that comes out otherwise than it was stored."""

    run_id: int
    name: str
    old_value: float | str | None
    new_value: float | str | None
    unit: str
    old_version: int | None
    """None for a result that is new."""
    new_version: int | None
    """None for one that is no longer made."""
    method: str = ""
    """By which it is made, or was."""
    reason: str = ""
    """Why it moves, in words."""


def load_records(cursor: duckdb.DuckDBPyConnection, run_ids: Sequence[int] | None = None) -> list[RunRecord]:
    """Runs as the catalogue has them, ordered by file and row; every run where `run_ids` is None.

    Raises:
        NotFound: One that isn't there.
    """
    where = "" if run_ids is None else "WHERE run_id IN (SELECT unnest(?::BIGINT[]))"
    values = None if run_ids is None else [list(run_ids)]
    cursor.execute(
        "SELECT run.*, t.file AS trace_file, t.sha256 AS trace_sha256 FROM catalogue.run "
        f"JOIN catalogue.trace_file t USING (trace_id) {where} ORDER BY trace_id, first_row",
        values,
    )
    names = [column[0] for column in cursor.description or ()]
    found = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    there = {row["run_id"] for row in found}
    for run_id in run_ids or ():
        if run_id not in there:
            raise NotFound.of("run", run_id)
    sql = (
        "SELECT run_id, kind, from_s, to_s, value, unit, detail FROM catalogue.event WHERE is_imported "
        f"{'AND run_id IN (SELECT unnest(?::BIGINT[]))' if run_ids is not None else ''} ORDER BY rowid"
    )
    events: dict[int, list[TraceEvent]] = {}
    for row in rows(cursor, sql, values):
        found_event: Any = row
        events.setdefault(found_event[0], []).append(TraceEvent(*found_event[1:]))
    shelved: dict[str, list[Shelved]] = {}
    for item in find_shelved(cursor):
        for uid in item.into_uids:
            shelved.setdefault(uid, []).append(item)
    return [
        RunRecord(
            facts=listing.facts_of(row),
            provenance=listing.provenance_of(row),
            channels=tuple(json.loads(row["channels"])),
            samples=row["samples"],
            duration_s=row["duration_s"],
            interval_s=row["interval_s"],
            first_row=row["first_row"],
            events=tuple(events.get(row["run_id"], ())),
            shelved=_all_below(shelved, row["uid"]),
        )
        for row in found
    ]


def _all_below(shelved: Mapping[str, Sequence[Shelved]], uid: str) -> tuple[Shelved, ...]:
    """Runs that stand back for one, and those that stand back for these."""
    found: list[Shelved] = []
    for item in shelved.get(uid, ()):
        found += [item, *_all_below(shelved, item.uid)]
    return tuple(found)


def shelved_record(layout: Layout, item: Shelved) -> RunRecord:
    """A run that stands back as a trace's footer tells it."""
    row = {**item.rows_of("run")[0], "trace_file": layout.run_file(item.uid), "trace_sha256": ""}
    events = [e for e in item.rows_of("event") if e["is_imported"]]
    return RunRecord(
        facts=listing.facts_of(row),
        provenance=listing.provenance_of(row),
        channels=tuple(json.loads(row["channels"])),
        samples=row["samples"],
        duration_s=row["duration_s"],
        interval_s=row["interval_s"],
        first_row=0,
        events=tuple(TraceEvent(e["kind"], e["from_s"], e["to_s"], e["value"], e["unit"], e["detail"]) for e in events),
    )


def _rows_by_name(cursor: duckdb.DuckDBPyConnection, run_ids: Sequence[int]) -> dict[tuple[int, str], dict[str, Any]]:
    columns = ("rowid", "run_id", *_COMPARED, "warnings", "account", "flags", "dof")
    sql = (
        f"SELECT {', '.join(columns)} FROM catalogue.result WHERE is_current AND run_id IN (SELECT unnest(?::BIGINT[]))"
    )
    found: list[Any] = rows(cursor, sql, [list(run_ids)])
    return {(row[1], row[2]): dict(zip(columns, row, strict=True)) for row in found}


def _is_same(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Equal but for rounding: sums may differ in the last bits from one processor to another."""
    if not all(_equal(old[name], new[name]) for name in (*_COMPARED, "warnings", "flags", "dof")):
        return False
    return old["account"] == new["account"] or _set_by_people(old["account"]) == _set_by_people(new["account"])


def _set_by_people(account: str) -> tuple[Any, Any]:
    """Of a result's account what a person decides: constants of the detectors, corrections of a calibration."""
    found = json.loads(account)
    return found.get("constants"), found.get("corrections")


def _equal(old: object, new: object) -> bool:
    if isinstance(old, float) and isinstance(new, float):
        return math.isclose(old, new, rel_tol=1e-12, abs_tol=1e-15)
    return old == new


def replace_results(
    cursor: duckdb.DuckDBPyConnection, records: Iterable[RunRecord], *, dry_run: bool = False
) -> list[ResultChange]:
    """Put new results in the place of those that differ; what was stays, no longer current.

    Args:
        cursor: Inside a writing transaction, or a reader for a dry run.
        records: Runs with their new reduction.
        dry_run: Only say what would change.

    Returns:
        What came out otherwise.
    """
    fresh = [record for record in records if record.reduction is not None]
    ids = [record.facts.run_id for record in fresh]
    old = _rows_by_name(cursor, ids)
    changes: list[ResultChange] = []
    added: list[dict[str, Any]] = []
    superseded: list[int] = []
    for record in fresh:
        for row in result_rows(
            record.facts.run_id, record.facts.device, record.reduction.results if record.reduction else ()
        ):
            before = old.pop((record.facts.run_id, row["name"]), None)
            if before is not None and _is_same(before, row):
                continue
            if before is not None:
                superseded.append(before["rowid"])
            added.append(row)
            changes.append(_change(row["run_id"], before, row))
    for (run_id, _), before in old.items():
        superseded.append(before["rowid"])
        changes.append(_change(run_id, before, None))
    if not dry_run:
        sql = "UPDATE catalogue.result SET is_current = false WHERE rowid IN (SELECT unnest(?::BIGINT[]))"
        if superseded:
            cursor.execute(sql, [superseded])
        append_rows(cursor, "result", added)
        _update_runs(cursor, fresh)
    return changes


def _change(run_id: int, old: Mapping[str, Any] | None, new: Mapping[str, Any] | None) -> ResultChange:
    row = new or old or {}
    return ResultChange(
        run_id,
        row["name"],
        (old["value"] if old["value"] is not None else old["text"]) if old else None,
        (new["value"] if new["value"] is not None else new["text"]) if new else None,
        row["unit"],
        old["method_version"] if old else None,
        new["method_version"] if new else None,
        row["method"],
        _why_moved(old, new),
    )


_SAME_METHOD = "the same method: a fact, the sheet, a meter or a constant changed"


def _why_moved(old: Mapping[str, Any] | None, new: Mapping[str, Any] | None) -> str:
    if new is None:
        return "the trace, by what is stated of it today, gives no such result"
    if old is None:
        return "results of this name are made since"
    if (old["method"], old["method_version"]) == (new["method"], new["method_version"]):
        return _SAME_METHOD
    return method_changes().get(new["method"], f"{old['method']} before")


def _update_runs(cursor: duckdb.DuckDBPyConnection, records: Sequence[RunRecord]) -> None:
    """Result columns, time facts and found events of runs, from their new reduction."""
    if not records:
        return
    ids = [record.facts.run_id for record in records]
    cursor.execute(
        "DELETE FROM catalogue.event WHERE NOT is_imported AND run_id IN (SELECT unnest(?::BIGINT[]))", [ids]
    )
    events: list[dict[str, Any]] = []
    updates = []
    for record in records:
        known = {(e.kind, e.from_s, e.to_s) for e in record.events}
        found = record.reduction.events if record.reduction else ()
        events += event_rows(
            record.facts.run_id, [e for e in found if (e.kind, e.from_s, e.to_s) not in known], is_imported=False
        )
        columns = main_columns(record.reduction.results if record.reduction else ())
        updates.append({"run_id": record.facts.run_id, **columns})
    append_rows(cursor, "event", events)
    names = [name for name in updates[0] if name != "run_id"]
    types = {"run_id": pa.int64(), "ended": pa.string()}
    schema = pa.schema([(name, types.get(name, pa.float64())) for name in updates[0]])
    cursor.register("incoming", pa.Table.from_pylist(updates, schema=schema))
    pairs = ", ".join(f"{name} = incoming.{name}" for name in names)
    cursor.execute(f"UPDATE catalogue.run SET {pairs} FROM incoming WHERE run.run_id = incoming.run_id")
    cursor.unregister("incoming")


def recompute(
    library: Store,
    run_ids: Sequence[int] | None = None,
    *,
    dry_run: bool = False,
    progress: Callable[[int, int], None] | None = None,
    workers: int | None = None,
) -> list[ResultChange]:
    """Results of runs by today's methods and facts, on all cores where there are many.

    Args:
        library: The library.
        run_ids: Which runs; all where None.
        dry_run: Only say what would change.
        progress: Told how many runs of how many are done.
        workers: Processes; None decides by what pays.

    Returns:
        What came out otherwise than stored.

    Raises:
        PartlyDone: Some runs' traces can't be read; the others are done, these wait.
    """
    with library.catalogue.reader() as cursor:
        records = load_records(cursor, run_ids)
    changes: dict[int, list[ResultChange]] = {}
    failed: dict[int, str] = {}
    for portion in portions_again(library, records, progress, workers=workers):
        failed |= portion.failed
        if dry_run:
            with library.catalogue.reader() as cursor:
                changes[portion.number] = replace_results(cursor, portion.fresh, dry_run=True)
        else:
            with library.catalogue.writer() as cursor:
                changes[portion.number] = replace_results(cursor, still_the_same(cursor, portion.fresh))
                pending.settle(
                    cursor, [r.facts.run_id for r in portion.records if r.facts.run_id not in portion.failed]
                )
    if failed:
        raise _partly(failed, len(records) - len(failed), dry_run=dry_run)
    return [change for number in sorted(changes) for change in changes[number]]


def recompute_due(library: Store) -> None:
    """Results of the runs that a changed fact of the bench touches; those that come out the same stay as they are."""
    with library.catalogue.reader() as cursor:
        waiting = pending.due(cursor)
    if waiting:
        recompute(library, waiting)


def _partly(failed: Mapping[int, str], done: int, *, dry_run: bool) -> PartlyDone:
    first = next(iter(failed.values()))
    named = ", ".join(map(str, list(failed)[:8])) + (", ..." if len(failed) > 8 else "")
    runs = "run" if len(failed) == 1 else "runs"
    did = "looked at" if dry_run else "recomputed"
    return PartlyDone(
        f"{done} of {done + len(failed)} runs were {did}. Not {runs} {named}: {first} What was changed is stored; "
        f"{runs} {named} keep the results of before. Run `joulebook verify --repair`, then `joulebook recompute`."
    )


def still_the_same(cursor: duckdb.DuckDBPyConnection, records: Sequence[RunRecord]) -> list[RunRecord]:
    """Those runs whose facts nobody changed while they were reduced; the others were recomputed by who changed them."""
    ids = [record.facts.run_id for record in records]
    sql = "SELECT run_id FROM catalogue.run WHERE run_id IN (SELECT unnest(?::BIGINT[]))"
    there = {int(row[0]) for row in rows(cursor, sql, [ids])}
    now = {r.facts.run_id: r.facts for r in load_records(cursor, [i for i in ids if i in there])}
    return [record for record in records if replace(record.facts) == now.get(record.facts.run_id)]
