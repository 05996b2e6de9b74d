"""How a stored result came about: all that is kept with it. Knows the catalogue's table of results."""

from __future__ import annotations

import json
from typing import Any

import duckdb

from store.catalogue.connection import rows
from store.errors import NotFound
from store.model.results import Contribution, Result

__all__ = ["load_account"]

_PLAIN = ("name", "value", "unit", "uncertainty", "method", "method_version", "from_s", "to_s", "text", "reason")
_COLUMNS = ", ".join((*_PLAIN, "warnings", "budget", "inputs", "formula"))


def load_account(cursor: duckdb.DuckDBPyConnection, run_id: int, name: str) -> Result:
    """A run's current result with formula, inputs and uncertainty budget.

    Raises:
        NotFound: No such run, or no such result of it; names the nearest.
    """
    found: list[Any] = rows(
        cursor, f"SELECT {_COLUMNS} FROM catalogue.result WHERE run_id = ? AND name = ? AND is_current", [run_id, name]
    )
    if not found:
        known = rows(
            cursor, "SELECT name FROM catalogue.result WHERE run_id = ? AND is_current ORDER BY rowid", [run_id]
        )
        if not known and not rows(cursor, "SELECT 1 FROM catalogue.run WHERE run_id = ?", [run_id]):
            raise NotFound.of("run", run_id)
        raise NotFound.of(f"result of run {run_id} named", name, [str(row[0]) for row in known])
    row = found[0]
    return Result(
        **dict(zip(_PLAIN, row[:10], strict=True)),
        warnings=tuple(json.loads(row[10])),
        budget=tuple(Contribution(**part) for part in json.loads(row[11])),
        inputs=json.loads(row[12]),
        formula=row[13],
    )
