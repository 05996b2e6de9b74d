"""Runs whose results are to be recomputed because a fact that they depend on was changed, noted with that change.

A sheet, a meter or a constant is stored in one transaction, the results of its runs in later ones. Killed in between,
the note is still there: the same command again, or `recompute`, finishes it. Knows the catalogue's table `meta`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import duckdb

from store.catalogue.connection import rows

__all__ = ["due", "note", "settle"]

_KEY = "results_due"


def due(cursor: duckdb.DuckDBPyConnection) -> list[int]:
    """The runs that wait; those that are gone meanwhile are left out."""
    found: list[Any] = rows(cursor, "SELECT value FROM catalogue.meta WHERE key = ?", [_KEY])
    if not found:
        return []
    sql = "SELECT run_id FROM catalogue.run WHERE run_id IN (SELECT unnest(?::BIGINT[])) ORDER BY run_id"
    return [int(row[0]) for row in rows(cursor, sql, [json.loads(found[0][0])])]


def note(cursor: duckdb.DuckDBPyConnection, where: str, values: Sequence[Any] = ()) -> None:
    """Note the runs of a condition, inside the transaction that changes the fact.

    Args:
        cursor: Inside a writing transaction.
        where: SQL condition over the table `run`.
        values: Its parameters.
    """
    found = rows(cursor, f"SELECT run_id FROM catalogue.run WHERE {where}", list(values))
    _store(cursor, {*due(cursor), *(int(row[0]) for row in found)})


def settle(cursor: duckdb.DuckDBPyConnection, run_ids: Sequence[int]) -> None:
    """Take runs off the list, inside the transaction that stores their results."""
    waiting = set(due(cursor))
    if waiting & set(run_ids):
        _store(cursor, waiting - set(run_ids))


def _store(cursor: duckdb.DuckDBPyConnection, run_ids: set[int]) -> None:
    cursor.execute("DELETE FROM catalogue.meta WHERE key = ?", [_KEY])
    if run_ids:
        cursor.execute("INSERT INTO catalogue.meta VALUES (?, ?)", [_KEY, json.dumps(sorted(run_ids))])
