"""Numbers of runs and of trace files: which come next, and that none is used twice.

Knows the catalogue's tables; no file.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import duckdb

from store.catalogue.connection import rows

if TYPE_CHECKING:
    from store.core import Store
    from store.files.traces import WrittenTrace

__all__ = ["are_taken", "next_run_id", "next_trace_id", "note_trace_ids", "reserve_run_ids", "trace_row"]


def next_run_id(cursor: duckdb.DuckDBPyConnection) -> int:
    """The number that the next run gets, if nobody is quicker. Numbers of deleted runs aren't used again."""
    sql = (
        "SELECT coalesce(max(r), 0) + 1 FROM (SELECT max(run_id) AS r FROM catalogue.run UNION ALL "
        "SELECT max(run_id) FROM catalogue.tombstone UNION ALL SELECT max(run_id) FROM catalogue.shelved_run UNION ALL "
        "SELECT max(CAST(value AS BIGINT)) FROM catalogue.meta WHERE key = 'reserved')"
    )
    return int(rows(cursor, sql)[0][0])


def reserve_run_ids(library: Store, count: int) -> int:
    """Take numbers for `count` runs, so that no other process uses them; the first of them. Unused ones stay unused."""
    with library.catalogue.writer() as cursor:
        first = next_run_id(cursor)
        cursor.execute("DELETE FROM catalogue.meta WHERE key = 'reserved'")
        cursor.execute("INSERT INTO catalogue.meta VALUES ('reserved', ?)", [str(first + count - 1)])
    return first


def are_taken(cursor: duckdb.DuckDBPyConnection, numbers: Sequence[int]) -> bool:
    """Whether a run has, or had, one of the numbers."""
    sql = (
        "SELECT 1 FROM (SELECT run_id FROM catalogue.run UNION ALL SELECT run_id FROM catalogue.tombstone "
        "UNION ALL SELECT run_id FROM catalogue.shelved_run) "
        "WHERE run_id IN (SELECT unnest(?::BIGINT[])) LIMIT 1"
    )
    return bool(rows(cursor, sql, [list(numbers)]))


def next_trace_id(cursor: duckdb.DuckDBPyConnection) -> int:
    """The number of the next trace file; numbers of files that are gone aren't used again."""
    sql = (
        "SELECT greatest((SELECT coalesce(max(trace_id), 0) FROM catalogue.trace_file), "
        "(SELECT coalesce(max(CAST(value AS BIGINT)), 0) FROM catalogue.meta WHERE key = 'last_trace_id')) + 1"
    )
    return int(rows(cursor, sql)[0][0])


def note_trace_ids(cursor: duckdb.DuckDBPyConnection) -> None:
    """Remember the highest number of a trace file, before rows of trace files are deleted."""
    last = next_trace_id(cursor) - 1
    cursor.execute("DELETE FROM catalogue.meta WHERE key = 'last_trace_id'")
    cursor.execute("INSERT INTO catalogue.meta VALUES ('last_trace_id', ?)", [str(last)])


def trace_row(trace_id: int, file: str, written: WrittenTrace, *, is_pack: bool) -> dict[str, Any]:
    """The row of the table `trace_file`."""
    return {
        "trace_id": trace_id,
        "file": file,
        "is_pack": is_pack,
        "sha256": written.sha256,
        "bytes": written.size,
        "samples": written.samples,
    }
