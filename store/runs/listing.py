"""The list of runs, its facets, and one run with all that belongs to it.

Reads the catalogue only: walking the list opens no trace. Knows SQL; no screen.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import duckdb
import pyarrow as pa

from importers.schema import ClockReading, Conversion, LineAccount
from store.catalogue.connection import rows
from store.errors import NotFound, WrongFact, suggest
from store.model.records import (
    Amendment,
    EventRow,
    FacetCount,
    Provenance,
    ResultRow,
    RunFacts,
    RunPage,
    RunView,
    StripSet,
)
from store.runs.filters import FIELDS, parse_filter
from store.signal.strips import unpack_bands
from store.sql.views import RUN_COLUMNS, RUNS_SOURCE, run_term
from store.words.clock import as_utc

__all__ = ["FACETS", "count_facets", "list_runs", "load_preview", "load_run", "trace_place"]

FACETS: dict[str, str] = {
    "port": "port",
    "mode": "mode",
    "device": "device",
    "kind": "kind",
    "meter": "meter",
    "load": "load_set",
    "quality": "quality",
    "direction": "direction",
}
"""Fields that can be counted, and the column each counts."""


def _sort_keys(sort: str) -> dict[str, str]:
    """Columns that a sort such as `-started_at,device` goes by, each with `ASC` or `DESC`; the number decides last.

    Raises:
        NotFound: No such column of `runs`.
    """
    keys: dict[str, str] = {}
    for part in filter(None, (p.strip() for p in sort.split(","))):
        column = part.lstrip("+-")
        column = FIELDS.get(column, column) if column not in RUN_COLUMNS else column
        if column not in RUN_COLUMNS:
            raise NotFound.of("column", column, RUN_COLUMNS)
        keys.setdefault(column, "DESC" if part.startswith("-") else "ASC")
    keys.setdefault("run_id", "DESC" if sort.startswith("-") else "ASC")
    return keys


def list_runs(
    cursor: duckdb.DuckDBPyConnection,
    filter_text: str,
    *,
    sort: str,
    limit: int | None,
    offset: int,
    zone: str,
    columns: Sequence[str] | None = None,
) -> RunPage:
    """A page of the list, with how many fit and how many there are.

    A filter that searches texts is held against every run once; the page's places in the table are found by its sort
    keys alone, and only then are its rows read. Where a filter costs little, counting by it again costs less than that.
    """
    condition = parse_filter(filter_text, zone=zone)
    if offset < 0 or (limit is not None and limit < 0):
        raise WrongFact("limit and offset can't be negative.")
    for column in columns or ():
        if column not in RUN_COLUMNS:
            raise NotFound.of("column", column, RUN_COLUMNS)
    wanted, keys = list(dict.fromkeys(RUN_COLUMNS if columns is None else columns)), _sort_keys(sort)
    source = RUNS_SOURCE if "meter_overdue" in {*wanted, *keys} else "catalogue.run"
    chosen = ", ".join(f"{run_term(column)} AS {column}" for column in wanted)
    order = ", ".join(f"{run_term(column)} {way} NULLS LAST" for column, way in keys.items())
    page = ("" if limit is None else f" LIMIT {limit}") + (f" OFFSET {offset}" if offset else "")
    is_search = any(word.field in {None, "mode", "file"} for word in condition.words)
    if limit is None or (columns is not None and not is_search):
        sql = f"SELECT {chosen} FROM {source} WHERE {condition.sql} ORDER BY {order}{page}"
    else:
        sorted_by = ", ".join(f"{run_term(column)} AS key_{n}" for n, column in enumerate(keys))
        by_keys = ", ".join(f"key_{n} {way} NULLS LAST" for n, way in enumerate(keys.values()))
        sql = (
            f"WITH fitting AS MATERIALIZED (SELECT run.rowid AS place, {sorted_by} FROM {source} "
            f"WHERE {condition.sql}), page AS MATERIALIZED (SELECT place FROM fitting ORDER BY {by_keys}{page}) "
            f"SELECT {chosen}, (SELECT count(*) FROM fitting) AS shown FROM {source} "
            f"WHERE run.rowid IN (FROM page) ORDER BY {order}"
        )
    table: pa.Table = cursor.sql(sql, params=list(condition.values)).to_arrow_table()
    has_count = table.column_names[-1] == "shown"
    if has_count and (table.num_rows or (limit and not offset)):
        shown = table["shown"][0].as_py() if table.num_rows else 0
        ((total,),) = rows(cursor, "SELECT count(*) FROM catalogue.run")
    else:
        count = f"SELECT count(*) FILTER (WHERE {condition.sql}), count(*) FROM catalogue.run"
        ((shown, total),) = rows(cursor, count, list(condition.values))
    return RunPage(table.drop_columns("shown") if has_count else table, int(shown), int(total))


def count_facets(cursor: duckdb.DuckDBPyConnection, field: str, filter_text: str, zone: str) -> list[FacetCount]:
    """Values of a field under the filter without that field's own words, the most frequent first.

    Raises:
        NotFound: No such field.
    """
    if field not in FACETS:
        raise NotFound.of("field", field, FACETS)
    condition = parse_filter(filter_text, zone=zone).without(field, zone)
    column = FACETS[field]
    found = rows(
        cursor,
        f"SELECT CAST({column} AS VARCHAR) AS value, count(*) AS n FROM catalogue.run "
        f"WHERE {column} IS NOT NULL AND {condition.sql} GROUP BY value ORDER BY n DESC, value",
        list(condition.values),
    )
    return [FacetCount(str(value), int(count)) for value, count in found]


def _one(cursor: duckdb.DuckDBPyConnection, run_id: int) -> dict[str, Any]:
    cursor.execute(
        "SELECT run.*, t.file AS trace_file, t.sha256 AS trace_sha256 FROM catalogue.run "
        "JOIN catalogue.trace_file t USING (trace_id) WHERE run_id = ?",
        [run_id],
    )
    names = [column[0] for column in cursor.description or ()]
    found = cursor.fetchall()
    if not found:
        raise _missing(cursor, run_id)
    return dict(zip(names, found[0], strict=True))


def _missing(cursor: duckdb.DuckDBPyConnection, run_id: int) -> NotFound:
    """What became of a run that isn't there."""
    gone = rows(cursor, "SELECT deleted_at, who FROM catalogue.tombstone WHERE run_id = ?", [run_id])
    if gone:
        return NotFound(f"Run {run_id} was deleted on {gone[0][0]:%Y-%m-%d} by {gone[0][1]}.")
    sql = (
        "SELECT s.how, list(run.run_id ORDER BY run.run_id) FROM catalogue.shelved_run s "
        "JOIN catalogue.run ON list_contains(s.into_uids, run.uid) WHERE s.run_id = ? GROUP BY s.how"
    )
    for how, others in rows(cursor, sql, [run_id]):
        named: Any = others
        if how in ("joined", "grown"):
            became = "was joined into" if how == "joined" else "grew into"
            return NotFound(f"Run {run_id} {became} run {named[0]}. `joulebook part {named[0]}` undoes that.")
        listed = " ".join(map(str, named))
        return NotFound(f"Run {run_id} was parted into runs {listed}. `joulebook join {listed}` undoes that.")
    return NotFound.of("run", run_id)


def load_preview(cursor: duckdb.DuckDBPyConnection, run_id: int) -> StripSet:
    """The strips stored with a run; none where the run has no samples."""
    sql = "SELECT channels, bands, from_s, to_s, buckets FROM catalogue.preview WHERE run_id = ?"
    found: list[Any] = rows(cursor, sql, [run_id])
    if not found:
        _one(cursor, run_id)
        return StripSet(0.0, 0.0, 0, ())
    channels, bands, from_s, to_s, buckets = found[0]
    return unpack_bands(bands, json.loads(channels), from_s, to_s, buckets)


def facts_of(row: dict[str, Any]) -> RunFacts:
    names = RunFacts.__dataclass_fields__
    return RunFacts(**{**{n: row[n] for n in names}, "started_at": as_utc(row["started_at"])})


def provenance_of(row: dict[str, Any]) -> Provenance:
    clock = json.loads(row["clock"])
    plain = (
        "source_file", "source_sha256", "source_bytes", "part", "imported_by", "program_version", "profile",
        "profile_text", "sign_turned", "trace_sha256", "trace_file",
    )  # fmt: skip
    return Provenance(
        **{name: row[name] for name in plain},
        imported_at=as_utc(row["imported_at"]),  # type: ignore[arg-type]
        conversions=tuple(Conversion(**c) for c in json.loads(row["conversions"])),
        clock=ClockReading(**{**clock, "columns": tuple(clock.get("columns") or ())}),
        account=LineAccount(**json.loads(row["account"])),
        warnings=tuple(json.loads(row["warnings"])),
    )


def load_results(cursor: duckdb.DuckDBPyConnection, run_id: int, *, superseded: bool = False) -> tuple[ResultRow, ...]:
    """Results of a run in the order in which they were computed."""
    which = "" if superseded else " AND is_current"
    sql = (
        "SELECT name, value, unit, uncertainty, text, method, method_version, from_s, to_s, warnings, reason, "
        f"is_current, dof FROM catalogue.result WHERE run_id = ?{which} ORDER BY rowid"
    )
    found: list[Any] = rows(cursor, sql, [run_id])
    names = ("name", "value", "unit", "uncertainty", "text", "method", "method_version", "from_s", "to_s")
    return tuple(
        ResultRow(
            **dict(zip(names, row[:9], strict=True)),
            warnings=tuple(json.loads(row[9])),
            reason=row[10],
            is_current=row[11],
            dof=row[12],
        )
        for row in found
    )


def load_events(cursor: duckdb.DuckDBPyConnection, run_id: int) -> tuple[EventRow, ...]:
    """Events of a run in order of time."""
    sql = "SELECT kind, from_s, to_s, value, unit, detail FROM catalogue.event WHERE run_id = ? ORDER BY from_s, rowid"
    found: list[Any] = rows(cursor, sql, [run_id])
    return tuple(EventRow(*row) for row in found)


def load_amendments(
    cursor: duckdb.DuckDBPyConnection, table_name: str | None = None, keys: Sequence[str] | None = None
) -> tuple[Amendment, ...]:
    """Changes of facts, the oldest first; of one table and keys where given."""
    tests, values = ["true"], []
    if table_name is not None:
        tests.append("table_name = ?")
        values.append(table_name)
    if keys is not None:
        tests.append("key IN (SELECT unnest(?))")
        values.append(list(keys))  # type: ignore[arg-type]
    sql = (
        "SELECT changed_at, who, program_version, table_name, key, field, old_value, new_value, reason "
        f"FROM catalogue.amendment WHERE {' AND '.join(tests)} ORDER BY seq"
    )
    found: list[Any] = rows(cursor, sql, values)
    return tuple(Amendment(as_utc(row[0]), *row[1:]) for row in found)  # type: ignore[arg-type]


def load_run(cursor: duckdb.DuckDBPyConnection, run_id: int) -> RunView:
    """One run with results, events, provenance, amendments and preview.

    Raises:
        NotFound: No such run, or it was deleted (then by whom and when).
    """
    row = _one(cursor, run_id)
    return RunView(
        facts=facts_of(row),
        samples=row["samples"],
        duration_s=row["duration_s"],
        interval_s=row["interval_s"],
        channels=tuple(json.loads(row["channels"])),
        results=load_results(cursor, run_id),
        events=load_events(cursor, run_id),
        provenance=provenance_of(row),
        amendments=load_amendments(cursor, "run", [str(run_id)]),
        preview=load_preview(cursor, run_id),
    )


def trace_place(cursor: duckdb.DuckDBPyConnection, run_id: int) -> tuple[str, int, int, tuple[str, ...], float]:
    """Where a run's samples lie: relative file, first row, samples, channels, duration [s]."""
    found: list[Any] = rows(
        cursor,
        "SELECT file, first_row, run.samples, channels, duration_s FROM catalogue.run "
        "JOIN catalogue.trace_file USING (trace_id) WHERE run_id = ?",
        [run_id],
    )
    if not found:
        raise _missing(cursor, run_id)
    file, first_row, samples, channels, duration_s = found[0]
    return file, first_row, samples, tuple(json.loads(channels)), duration_s


def check_channels(wanted: Sequence[str] | None, there: Sequence[str]) -> list[str]:
    """The channels asked for, each once.

    Raises:
        NotFound: One that the run doesn't have.
    """
    chosen = list(dict.fromkeys(wanted if wanted is not None else there))
    for name in chosen:
        if name not in there:
            hint = suggest(name, there)
            tail = f" Did you mean {hint}?" if hint else f" It has {', '.join(there)}."
            raise NotFound(f"The run has no channel {name}.{tail}")
    return chosen
