"""Rows appended to a table of the catalogue, as one statement. Knows the engine only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import duckdb
import pyarrow as pa

__all__ = ["append_rows"]


def append_rows(cursor: duckdb.DuckDBPyConnection, table: str, rows: Sequence[Mapping[str, Any]]) -> None:
    """Append rows to a table of the catalogue in one statement; columns left out are NULL."""
    if not rows:
        return
    empty: pa.Table = cursor.sql(f"SELECT * FROM catalogue.{table} LIMIT 0").to_arrow_table()
    cursor.register("incoming", pa.Table.from_pylist([dict(row) for row in rows], schema=empty.schema))
    try:
        cursor.execute(f"INSERT INTO catalogue.{table} BY NAME SELECT * FROM incoming")
    finally:
        cursor.unregister("incoming")
