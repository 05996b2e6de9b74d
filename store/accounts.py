"""How a stored result came about: everything kept with it, and the SQL that gets it again from the Parquet alone.

Knows the catalogue's table of results and SQL text; computes nothing.
"""

from __future__ import annotations

import json
from typing import Any

import duckdb

from store.catalogue import rows
from store.errors import NotFound
from store.results.base import Contribution, Result

__all__ = ["load_account", "redo_sql"]

_PLAIN = ("name", "value", "unit", "uncertainty", "method", "method_version", "from_s", "to_s", "text", "reason")
_COLUMNS = ", ".join((*_PLAIN, "warnings", "budget", "inputs", "formula"))

_STEPS = """WITH samples AS (
  SELECT * FROM read_parquet('{file}') WHERE run_id = {run} AND t_s BETWEEN {low} AND {high}
), steps AS (
  SELECT t_s, voltage_v AS v1, current_a AS i1, lead(voltage_v) OVER w AS v2, lead(current_a) OVER w AS i2,
         lead(t_s) OVER w - t_s AS step
  FROM samples WHERE voltage_v IS NOT NULL AND current_a IS NOT NULL WINDOW w AS (ORDER BY t_s)
)
"""
_NO_GAPS = "\nFROM steps WHERE step <= greatest(1, 5 * (SELECT median(step) FROM steps))"

_FORMS = {
    "energy bilinear": _STEPS
    + "SELECT sum(step * (2*v1*i1 + 2*v2*i2 + v1*i2 + v2*i1) / 6) / 3600 AS {name}"
    + _NO_GAPS,
    "charge trapezoid": _STEPS + "SELECT sum(step * (i1 + i2) / 2) / 3600 AS {name}" + _NO_GAPS,
}
_SPAN = "SELECT * FROM read_parquet('{file}') WHERE run_id = {run} AND t_s BETWEEN {low} AND {high} ORDER BY t_s"
_EXTREME = (
    "SELECT {which}({channel}) AS {name} FROM read_parquet('{file}')\n"
    "WHERE run_id = {run} AND t_s BETWEEN {low} AND {high}"
)
_EXTREMES = {
    f"{quantity}_{which}_{unit}": (which, f"{quantity}_{unit}")
    for quantity, unit in (("voltage", "v"), ("current", "a"))
    for which in ("min", "max")
}


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


def redo_sql(result: Result, run_id: int, file: str) -> str:
    """SQL for any DuckDB that gets the number from the trace file alone, or the samples that it rests on.

    Args:
        result: The account.
        run_id: Its run.
        file: The trace file's path.
    """
    values: dict[str, object] = {
        "file": file.replace("'", "''"),
        "run": run_id,
        "low": 0.0 if result.from_s is None else result.from_s,
        "high": "'infinity'::DOUBLE" if result.to_s is None else result.to_s,
        "name": result.name,
    }
    if result.method in _FORMS and result.inputs.get("power", "V x I") == "V x I":
        return _FORMS[result.method].format_map(values)
    if result.name in _EXTREMES:
        which, channel = _EXTREMES[result.name]
        return _EXTREME.format_map({**values, "which": which, "channel": channel})
    return "-- the samples that it rests on\n" + _SPAN.format_map(values)
