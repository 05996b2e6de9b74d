"""Rows of the catalogue against one another, in pieces: memory does not grow with the number of runs.

Knows the catalogue's tables; no file.
"""

from __future__ import annotations

from collections.abc import Iterator

import duckdb
import numpy as np

from store.care.named_files import PIECE
from store.catalogue.connection import rows

__all__ = ["contradictions"]

_PER_RUN = {
    "has no preview": "SELECT run_id FROM catalogue.run ANTI JOIN "
    "(SELECT run_id FROM catalogue.preview WHERE {piece}) p USING (run_id) WHERE {piece}",
    "is gone but has results": "SELECT DISTINCT run_id FROM catalogue.result "
    "ANTI JOIN (SELECT run_id FROM catalogue.run WHERE {piece}) r USING (run_id) WHERE {piece}",
    "is gone but has events": "SELECT DISTINCT run_id FROM catalogue.event "
    "ANTI JOIN (SELECT run_id FROM catalogue.run WHERE {piece}) r USING (run_id) WHERE {piece}",
    "has a result twice": "SELECT DISTINCT run_id FROM (SELECT run_id, name FROM catalogue.result "
    "WHERE is_current AND {piece} GROUP BY ALL HAVING count(*) > 1)",
}


def contradictions(cursor: duckdb.DuckDBPyConnection) -> Iterator[tuple[str, str]]:
    """What is wrong: the thing that it is about, and a sentence.

    Args:
        cursor: A reader of the catalogue.
    """
    yield from _of_files(cursor)
    ids = _sorted(cursor, "SELECT run_id AS n FROM catalogue.run")
    for run_id in np.unique(ids[1:][ids[1:] == ids[:-1]]).tolist():
        yield f"run {run_id}", f"Run {run_id} is there twice."
    for least, most in _bounds(ids):
        piece = f"run_id BETWEEN {least} AND {most}"
        for what, sql in _PER_RUN.items():
            for (run_id,) in rows(cursor, sql.format(piece=piece)):
                yield f"run {run_id}", f"Run {run_id} {what}."


def _of_files(cursor: duckdb.DuckDBPyConnection) -> Iterator[tuple[str, str]]:
    """Runs lie one after the other in their trace file, and fill it."""
    sql = "SELECT trace_id AS n FROM catalogue.run UNION ALL SELECT trace_id FROM catalogue.trace_file"
    for least, most in _bounds(_sorted(cursor, sql)):
        piece = f"trace_id BETWEEN {least} AND {most}"
        sql = f"SELECT trace_id, file, samples FROM catalogue.trace_file WHERE {piece}"
        files = {int(trace_id): (str(file), int(samples)) for trace_id, file, samples in rows(cursor, sql)}
        sql = f"SELECT trace_id, first_row, samples, run_id FROM catalogue.run WHERE {piece}"
        found = cursor.execute(sql).fetchnumpy()
        order = np.lexsort((found["samples"], found["first_row"], found["trace_id"]))
        trace, first, samples, run = (found[name][order] for name in ("trace_id", "first_row", "samples", "run_id"))
        end = first + samples
        follows = np.concatenate(([False], trace[1:] == trace[:-1]))
        wanted = np.where(follows, np.concatenate(([0], end[:-1])), 0)
        for run_id in sorted(run[first != wanted].tolist()):
            yield f"run {run_id}", f"Run {run_id} does not follow the run before it in its trace file."
        named, at = np.unique(trace, return_index=True)
        sums = dict(zip(named.tolist(), np.add.reduceat(samples, at).tolist(), strict=True)) if len(at) else {}
        for trace_id, (file, count) in files.items():
            if count != sums.get(trace_id, 0):
                yield file, f"{file} holds {count} samples, its runs name {sums.get(trace_id, 0)}."
        for run_id in sorted(run[~np.isin(trace, list(files))].tolist()):
            yield f"run {run_id}", f"Run {run_id} has no trace file."


def _sorted(cursor: duckdb.DuckDBPyConnection, sql: str) -> np.ndarray:
    return np.sort(cursor.execute(sql).fetchnumpy()["n"])


def _bounds(numbers: np.ndarray) -> Iterator[tuple[int, int]]:
    """First and last of ranges that hold about a piece each, and together every number that there is."""
    begins = np.unique(numbers[PIECE::PIECE]).tolist()
    yield from zip([-(1 << 63), *begins], [*(begin - 1 for begin in begins), (1 << 63) - 1], strict=True)
