"""What is shared beside the samples: ten tables of facts, each row with its bench, and the run's uid where it has one.

Tables of runs come in blocks of run numbers, so that one more run does not write a million again. Knows the
catalogue's views; no target.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import duckdb
import pyarrow as pa

from store.sql.views import VIEWS

__all__ = ["BLOCK_RUNS", "FACT_TABLES", "Block", "blocks_of", "content_hash"]

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
_WHOLE: tuple[str, ...] = ("devices", "ports", "claims", "meters", "calibrations", "amendments")

FACT_TABLES: tuple[str, ...] = (*_WHOLE, "verdicts", "groups", "events", "results", "runs")
"""In the order in which they are committed: `runs` last."""


@dataclass(frozen=True, slots=True)
class Block:
    """Rows of one table that are written together."""

    table: str
    number: int
    """Block of run numbers; 0 for tables that don't go by runs."""
    rows: pa.Table
    """With `bench` and `block`, sorted, in the types that every engine reads."""


def blocks_of(
    cursor: duckdb.DuckDBPyConnection, table: str, bench: str, verdicts: Callable[[], pa.Table]
) -> Iterator[Block]:
    """The rows of a table, block by block; an empty table is one block without rows.

    Args:
        cursor: A reader of the catalogue.
        table: One of `FACT_TABLES`.
        bench: Whose rows they are.
        verdicts: Claims held against results.
    """
    if table == "verdicts":
        yield Block(table, 0, _plain(verdicts(), bench, 0))
        return
    if table in _WHOLE:
        yield Block(table, 0, _plain(cursor.sql(f"SELECT * FROM ({VIEWS[table]})").to_arrow_table(), bench, 0))
        return
    source = _PER_RUN[table]
    top = cursor.sql("SELECT coalesce(max(run_id), 0) FROM catalogue.run").fetchall()[0][0]
    for number in range(int(top) // BLOCK_RUNS + 1):
        first = number * BLOCK_RUNS
        where = f"run_id >= {first} AND run_id < {first + BLOCK_RUNS}" + (" OR run_id IS NULL" if number == 0 else "")
        rows = cursor.sql(f"SELECT * FROM ({source}) WHERE {where} ORDER BY ALL").to_arrow_table()
        yield Block(table, number, _plain(rows, bench, number))


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


def content_hash(block: Block) -> str:
    """The same for the same rows in the same order, whatever the process."""
    digest = hashlib.sha256()
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, block.rows.schema) as writer:
        writer.write_table(block.rows.combine_chunks(), max_chunksize=65_536)
    digest.update(sink.getvalue())
    return digest.hexdigest()
