"""Whole tables gone through in memory that does not grow with them. Knows the engine; no table's meaning."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

import duckdb

__all__ = ["read_every_value", "within_bounds"]

_BOUNDS = {"memory_limit": "80MB", "threads": "2"}
"""Without them the engine keeps every block that it reads, and each thread takes room of its own."""

Found = TypeVar("Found")


def within_bounds(cursor: duckdb.DuckDBPyConnection, work: Callable[[], Found]) -> Found:
    """Do something that goes through whole tables in pieces, without the engine's memory growing.

    What needs more after all, for one value is huge, is done again without bounds.

    Args:
        cursor: Whose engine is held back.
        work: What is done with it; repeatable.
    """
    before = {name: str(cursor.execute(f"SELECT current_setting('{name}')").fetchall()[0][0]) for name in _BOUNDS}
    try:
        for name, value in _BOUNDS.items():
            with suppress(duckdb.Error):  # more is in use at this moment
                cursor.execute(f"SET {name} = '{value}'")
        with suppress(duckdb.OutOfMemoryException):
            return work()
    finally:
        for name, value in before.items():
            with suppress(duckdb.Error):
                cursor.execute(f"SET {name} = '{value}'")
    return work()


def read_every_value(cursor: duckdb.DuckDBPyConnection, name: str = "catalogue") -> None:
    """Read every value of every table of an attached database: the engine checks each block's checksum on the way.

    Raises:
        duckdb.Error: A value can't be read.
    """
    tables = cursor.execute(f"SELECT table_name FROM duckdb_tables() WHERE database_name = '{name}'").fetchall()
    for (table,) in tables:
        sql = f'SELECT bit_xor(hash(t)) FROM {name}.main."{table}" t'
        within_bounds(cursor, lambda sql=sql: cursor.execute(sql).fetchall())  # type: ignore[misc]
