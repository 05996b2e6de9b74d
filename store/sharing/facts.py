"""What is shared beside the samples: tables of facts, each row with its bench, and the run's uid where it has one.

Tables of runs come in blocks of run numbers, so that one more run does not write a million again. Knows the
catalogue's views; no target.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import duckdb
import pyarrow as pa

from store.sharing.kept import KEPT, kept_table
from store.sql.views import VIEWS

__all__ = ["BLOCK_RUNS", "FACT_TABLES", "Block", "block_of", "digests_of"]

BLOCK_RUNS = 16_384
"""Runs in one block: 60 files a table for a million runs, and half a second to write one anew."""

_UID = "(SELECT run_id, uid FROM catalogue.run)"

_PER_RUN: dict[str, str] = {
    "runs": f"SELECT * FROM ({VIEWS['runs']})",
    "results": f"SELECT v.*, u.uid FROM ({VIEWS['results']}) v LEFT JOIN {_UID} u USING (run_id)",
    "events": f"SELECT v.*, u.uid FROM ({VIEWS['events']}) v LEFT JOIN {_UID} u USING (run_id)",
    "groups": "SELECT group_id, run_id, uid, group_offset_s AS offset_s, group_offset_uncertainty_s AS uncertainty_s, "
    "group_method AS method FROM catalogue.run WHERE group_id IS NOT NULL",
}
_WHOLE: tuple[str, ...] = (KEPT, "devices", "ports", "claims", "meters", "calibrations", "amendments")

FACT_TABLES: tuple[str, ...] = (*_WHOLE, "verdicts", "groups", "events", "results", "runs")
"""In the order in which they are committed: `runs` last."""


@dataclass(frozen=True, slots=True)
class Block:
    """Rows of one table that are written together."""

    table: str
    number: int
    """Block of run numbers; 0 for tables that don't go by runs."""
    rows: pa.Table
    """With `bench` and `block`, in the types that every engine reads."""


def digests_of(cursor: duckdb.DuckDBPyConnection, table: str, computed: pa.Table | None) -> dict[int, str]:
    """What tells the content of each block of a table from another, whatever the order of its rows.

    The engine's own hash of whole rows, summed and folded: with another version of the engine every block differs once
    and is written again.

    Args:
        cursor: A reader of the catalogue.
        table: One of `FACT_TABLES`.
        computed: Rows that follow from several runs: all of `verdicts`, of `results` the figures of devices; else None.
    """
    source = _source(cursor, table, computed)
    block = f"coalesce(run_id, 0) // {BLOCK_RUNS}" if table in _PER_RUN else "0"
    found = cursor.sql(
        f"SELECT {block} AS block, count(*), sum(CAST(hash(v) AS HUGEINT)), bit_xor(hash(v)) "
        f"FROM ({source}) v GROUP BY ALL"
    ).fetchall()
    columns = ",".join(cursor.sql(f"SELECT * FROM ({source}) LIMIT 0").columns)
    digests = {int(row[0]): f"{duckdb.__version__}:{columns}:{row[1]}:{row[2]}:{row[3]}" for row in found}
    return {number: hashlib.sha256(text.encode()).hexdigest() for number, text in digests.items()} or {0: "empty"}


def block_of(
    cursor: duckdb.DuckDBPyConnection, table: str, number: int, bench: str, computed: pa.Table | None
) -> Block:
    """The rows of one block of a table.

    Args:
        cursor: A reader of the catalogue.
        table: One of `FACT_TABLES`.
        number: Which block; 0 is the whole of a table that does not go by runs, and holds results of devices.
        bench: Whose rows they are.
        computed: Rows that follow from several runs: all of `verdicts`, of `results` the figures of devices; else None.
    """
    source = _source(cursor, table, computed)
    first = number * BLOCK_RUNS
    where = "true"
    if table in _PER_RUN:
        where = f"run_id >= {first} AND run_id < {first + BLOCK_RUNS}" + (" OR run_id IS NULL" if number == 0 else "")
    rows = cursor.sql(f"SELECT * FROM ({source}) WHERE {where}").to_arrow_table()
    return Block(table, number, _plain(rows, bench, number))


def _source(cursor: duckdb.DuckDBPyConnection, table: str, computed: pa.Table | None) -> str:
    if table == KEPT:
        cursor.register("kept_rows", kept_table(cursor))
        return "SELECT * FROM kept_rows"
    if table == "verdicts":
        cursor.register("verdicts_held", computed)
        return "SELECT * FROM verdicts_held"
    if table == "results":
        cursor.register("figures_held", computed)
        return f"{_PER_RUN[table]} UNION ALL BY NAME SELECT * FROM figures_held"
    return _PER_RUN.get(table) or f"SELECT * FROM ({VIEWS[table]})"


def _plain(table: pa.Table, bench: str, block: int) -> pa.Table:
    """In front `bench`; moments in UTC with their zone; types that all engines of the tables know; `block` last."""
    names, columns = ["bench"], [pa.array([bench] * table.num_rows, pa.string())]
    for field, column in zip(table.schema, table.columns, strict=True):
        kind = field.type
        if pa.types.is_timestamp(kind):
            wanted = pa.timestamp("us", "UTC")
            plain = column.cast(pa.timestamp("us")).cast(wanted) if kind.tz is None else column.cast(wanted)
        elif pa.types.is_null(kind):
            plain = column.cast(pa.string())
        elif pa.types.is_unsigned_integer(kind):
            plain = column.cast(pa.int64())
        else:
            plain = column
        names.append(field.name)
        columns.append(plain)
    names.append("block")
    columns.append(pa.array([block] * table.num_rows, pa.int32()))
    return pa.table(columns, names=names)
