"""SQL by which anyone gets a result again from the trace's Parquet alone, in any DuckDB.

Knows `Result` and text; opens nothing and computes nothing. Where a moment was found by a detector, the statement
takes the moment as given and measures on the samples, and its first line says so.
"""

from __future__ import annotations

from store.methods.specs import spec_of
from store.methods.sql_parts import Place
from store.model.results import Result

__all__ = ["gets_it_again", "redo_sql"]

SAMPLES_ONLY = "-- no single statement: these are the samples it is based on"


def redo_sql(result: Result, run_id: int, file: str) -> str:
    """SQL for any DuckDB that gets the number from the trace file alone, or the samples behind it.

    Args:
        result: The result with its inputs and its span.
        run_id: Its run.
        file: The trace file's path: a run's own file or a pack of many runs.

    Returns:
        One statement. It begins with `-- no single statement` where it lists samples only.
    """
    place = Place(result, run_id, file.replace("'", "''"))
    spec = spec_of(result.name)
    made = spec.redo(place) if spec is not None and spec.redo is not None and result.value is not None else None
    return made or f"{SAMPLES_ONLY}\nSELECT * FROM {place.source} AND {place.within()}\nORDER BY file_row_number"


def gets_it_again(sql: str) -> bool:
    """Whether the statement gives the number itself and not only the samples behind it."""
    return not sql.startswith(SAMPLES_ONLY)
