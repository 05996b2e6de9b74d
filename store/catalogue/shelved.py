"""Runs that stand back because others hold their samples now: parts of a joined log, a parted log, a log that grew.

All that the catalogue knew of such a run is kept as text, so that it comes back as it was. Knows the catalogue's
tables; no file.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import duckdb

from store.catalogue.appending import append_rows
from store.catalogue.connection import rows
from store.catalogue.journal import as_row, as_text

__all__ = [
    "GROWN",
    "JOINED",
    "PARTED",
    "Shelved",
    "as_shelved",
    "bury_shelved",
    "drop_runs",
    "find_shelved",
    "footer_rows",
    "from_footer",
    "put_back",
    "renumbered",
    "settle",
    "shelve",
    "store_shelved",
]

JOINED = "joined"
PARTED = "parted"
GROWN = "grown"
_TABLES = ("run", "result", "event", "preview")
_GROUP = ("group_id", "group_offset_s", "group_offset_uncertainty_s", "group_method")


@dataclass(frozen=True, slots=True)
class Shelved:
    """A run that stands back."""

    run_id: int
    uid: str
    how: str
    """`joined`: it is part of the one run of `into_uids`; `parted`: those hold its samples one after the other;
    `grown`: the one run of `into_uids` begins with its samples and goes on."""
    into_uids: tuple[str, ...]
    offset_s: float
    """Of a part: added to its own t_s [s]."""
    first_row: int
    """Of a part: its first sample within the whole."""
    samples: int
    source_sha256: str
    source_file: str
    part: str
    kept: str
    """Rows of the catalogue, by table, as text."""

    def rows_of(self, table: str) -> list[dict[str, Any]]:
        """Rows that a table had of it."""
        return [as_row(text) for text in json.loads(self.kept)[table]]


_NAMES = tuple(Shelved.__dataclass_fields__)


def _read(found: Iterable[Sequence[Any]]) -> list[Shelved]:
    told: list[dict[str, Any]] = [dict(zip(_NAMES, row, strict=True)) for row in found]
    return [Shelved(**{**row, "into_uids": tuple(row["into_uids"])}) for row in told]


def find_shelved(cursor: duckdb.DuckDBPyConnection, where: str = "true", values: Sequence[Any] = ()) -> list[Shelved]:
    """Runs that stand back, in the order of their samples.

    Args:
        cursor: The catalogue.
        where: SQL condition over the table `shelved_run`.
        values: Its parameters.
    """
    sql = f"SELECT {', '.join(_NAMES)} FROM catalogue.shelved_run WHERE {where} ORDER BY first_row, run_id"
    return _read(rows(cursor, sql, list(values)))


def _row(shelved: Shelved) -> dict[str, Any]:
    return {name: getattr(shelved, name) for name in _NAMES} | {"into_uids": list(shelved.into_uids)}


def footer_rows(shelved: Iterable[Shelved]) -> list[dict[str, Any]]:
    """What a trace's footer tells of runs that stand back for its own."""
    return [_row(item) for item in shelved]


def from_footer(told: Iterable[Mapping[str, Any]]) -> tuple[Shelved, ...]:
    """The inverse of `footer_rows`."""
    return tuple(_read([[item[name] for name in _NAMES] for item in told]))


def store_shelved(cursor: duckdb.DuckDBPyConnection, shelved: Iterable[Shelved]) -> None:
    """Append those that are not known yet."""
    known = {str(row[0]) for row in rows(cursor, "SELECT uid FROM catalogue.shelved_run")}
    append_rows(cursor, "shelved_run", [_row(item) for item in shelved if item.uid not in known])


def as_shelved(
    cursor: duckdb.DuckDBPyConnection,
    run_id: int,
    how: str,
    into_uids: Sequence[str],
    *,
    offset_s: float = 0.0,
    first_row: int = 0,
) -> Shelved:
    """A run that is there as it will stand back."""
    kept: dict[str, list[str]] = {}
    for table in _TABLES:
        found: Any = cursor.sql(f"SELECT * FROM catalogue.{table} WHERE run_id = {run_id:d}").to_arrow_table()
        kept[table] = [as_text(row) for row in found.to_pylist()]
    run = as_row(kept["run"][0])
    return Shelved(
        run_id=run_id,
        uid=run["uid"],
        how=how,
        into_uids=tuple(into_uids),
        offset_s=offset_s,
        first_row=first_row,
        samples=run["samples"],
        source_sha256=run["source_sha256"],
        source_file=run["source_file"],
        part=run["part"],
        kept=json.dumps(kept, ensure_ascii=False),
    )


def shelve(cursor: duckdb.DuckDBPyConnection, item: Shelved) -> None:
    """Take a run out of sight, inside the caller's transaction; its trace file's row stays for the caller to drop."""
    cursor.execute(
        "UPDATE catalogue.run SET amendment_count = amendment_count + 1 WHERE run_id = ?", [item.run_id]
    )  # the caller tells of it in an amendment
    now = as_shelved(cursor, item.run_id, item.how, item.into_uids, offset_s=item.offset_s, first_row=item.first_row)
    append_rows(cursor, "shelved_run", [_row(now)])
    drop_runs(cursor, [item.run_id])


def drop_runs(cursor: duckdb.DuckDBPyConnection, run_ids: Sequence[int]) -> None:
    """Rows of runs go, with their results, events and previews."""
    for table in _TABLES:
        cursor.execute(f"DELETE FROM catalogue.{table} WHERE run_id IN (SELECT unnest(?::BIGINT[]))", [list(run_ids)])


def put_back(cursor: duckdb.DuckDBPyConnection, item: Shelved, trace_id: int, first_row: int) -> None:
    """A run is there again as it was, its samples at another place; inside the caller's transaction."""
    cursor.execute("DELETE FROM catalogue.shelved_run WHERE uid = ?", [item.uid])
    for table in _TABLES:
        there = {c[0] for c in cursor.execute(f"SELECT * FROM catalogue.{table} LIMIT 0").description or ()}
        found = [{name: value for name, value in row.items() if name in there} for row in item.rows_of(table)]
        if table == "run":
            found = [{**row, "trace_id": trace_id, "first_row": first_row} for row in found]
        append_rows(cursor, table, found)


def renumbered(item: Shelved, run_id: int) -> Shelved:
    """The same under another number, as in another library."""
    alone: dict[str, None] = dict.fromkeys(_GROUP)
    kept = {
        table: [as_text({**as_row(text), "run_id": run_id, **(alone if table == "run" else {})}) for text in found]
        for table, found in json.loads(item.kept).items()
    }
    return replace(item, run_id=run_id, kept=json.dumps(kept, ensure_ascii=False))


def bury_shelved(cursor: duckdb.DuckDBPyConnection, uids: Sequence[str]) -> list[Shelved]:
    """Take those away that stand back for runs that are deleted, and those that stand back for them.

    Returns:
        What is gone; the caller leaves tombstones.
    """
    gone: list[Shelved] = []
    wanted = list(uids)
    while wanted:
        found = find_shelved(cursor, "list_has_any(into_uids, ?::VARCHAR[])", [wanted])
        wanted = [item.uid for item in found]
        gone += found
        cursor.execute("DELETE FROM catalogue.shelved_run WHERE uid IN (SELECT unnest(?::VARCHAR[]))", [wanted])
    return gone


def settle(cursor: duckdb.DuckDBPyConnection) -> list[int]:
    """Runs that should stand back and are there all the same, as after a catalogue was lost: their rows go.

    Returns:
        Their numbers.
    """
    sql = (
        "SELECT run_id FROM catalogue.run JOIN catalogue.shelved_run s USING (uid) WHERE len(s.into_uids) = "
        "(SELECT count(*) FROM catalogue.run other WHERE list_contains(s.into_uids, other.uid))"
    )
    found = [int(row[0]) for row in rows(cursor, sql.replace("SELECT run_id", "SELECT run.run_id", 1))]
    drop_runs(cursor, found)
    return found
