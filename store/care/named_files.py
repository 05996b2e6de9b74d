"""Files that the catalogue names, and those that lie on the disk: gone through in pieces, in memory that does not grow.

Knows the catalogue's two tables of files and the library's folders; opens no file.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from itertools import islice, pairwise
from typing import Any

import duckdb
import pyarrow as pa

from store.catalogue.connection import rows
from store.catalogue.every_value import within_bounds
from store.files.layout import Layout

__all__ = ["PIECE", "NamedFile", "bytes_named", "is_named", "named_files", "names_on_disk", "unnamed"]

PIECE = 16_384
"""Rows or names that are held at once."""

_TRACES = "SELECT file, sha256, bytes, samples, NULL FROM catalogue.trace_file"
_ORIGINALS = (
    "SELECT stored_as, stored_sha256, stored_bytes, 0, sha256 FROM catalogue.original WHERE stored_as IS NOT NULL"
)


@dataclass(frozen=True, slots=True)
class NamedFile:
    """A file that the catalogue names."""

    file: str
    """Relative to the library."""
    sha256: str
    size: int
    samples: int
    original_sha256: str | None
    """For an original: hash of its bytes once unpacked."""

    @property
    def kind(self) -> str:
        """`trace` or `original`."""
        return "original" if self.original_sha256 else "trace"


def bytes_named(cursor: duckdb.DuckDBPyConnection) -> int:
    """Bytes of all files that the catalogue names."""
    sql = "SELECT (SELECT coalesce(sum(bytes), 0) FROM catalogue.trace_file) + coalesce(sum(stored_bytes), 0) "
    return int(rows(cursor, sql + "FROM catalogue.original WHERE stored_as IS NOT NULL")[0][0])


def named_files(reader: Callable[[], AbstractContextManager[duckdb.DuckDBPyConnection]]) -> Iterator[NamedFile]:
    """Every file that the catalogue names, traces first; the catalogue is let go of between two pieces.

    What is packed or deleted meanwhile may be told all the same: ask `is_named` before you complain.

    Args:
        reader: Opens the catalogue for reading.
    """
    with reader() as cursor:
        ids = cursor.execute("SELECT trace_id FROM catalogue.trace_file ORDER BY trace_id").fetchnumpy()["trace_id"]
        count = int(rows(cursor, "SELECT count(*) FROM catalogue.original")[0][0])
    for first in range(0, len(ids), PIECE):
        last = int(ids[min(first + PIECE, len(ids)) - 1])
        yield from _piece(reader, f"{_TRACES} WHERE trace_id BETWEEN ? AND ? ORDER BY trace_id", int(ids[first]), last)
    for least, most in _slices(count):
        yield from _piece(reader, f"{_ORIGINALS} AND sha256 >= ? AND sha256 < ? ORDER BY sha256", least, most)


def _piece(
    reader: Callable[[], AbstractContextManager[duckdb.DuckDBPyConnection]], sql: str, *values: object
) -> list[NamedFile]:
    with reader() as cursor:
        return _entries(within_bounds(cursor, lambda: rows(cursor, sql, list(values))))


def _entries(found: Iterable[Sequence[Any]]) -> list[NamedFile]:
    return [NamedFile(*row) for row in found]


def _slices(count: int) -> Iterator[tuple[str, str]]:
    """Bounds that part hashes in hexadecimal digits into slices of about a piece each."""
    number = count // PIECE + 1
    bounds = ["", *(f"{65_536 * n // number:04x}" for n in range(1, number)), "\U0010ffff"]
    yield from pairwise(bounds)


def is_named(cursor: duckdb.DuckDBPyConnection, entry: NamedFile) -> bool:
    """False where a pack or a deletion took the file away since it was read, or another took its name."""
    for sql, column in ((_TRACES + " WHERE", "file"), (_ORIGINALS + " AND", "stored_as")):
        if entry in _entries(rows(cursor, f"{sql} {column} = ?", [entry.file])):
            return True
    return False


def names_on_disk(layout: Layout) -> Iterator[str]:
    """Every entry of the folders of traces and originals, relative to the library, in no order."""
    for folder in (layout.runs, layout.packs, layout.originals):
        if folder.is_dir():
            relative = folder.relative_to(layout.root).as_posix()
            with os.scandir(folder) as entries:
                yield from (f"{relative}/{entry.name}" for entry in entries)


def unnamed(cursor: duckdb.DuckDBPyConnection, files: Iterable[str]) -> set[str]:
    """Those of many names that the catalogue does not hold."""
    found: set[str] = set()
    waiting = iter(files)
    while piece := list(islice(waiting, PIECE)):
        cursor.register("names_there", pa.table({"file": pa.array(piece, pa.string())}))
        try:
            sql = (
                "SELECT file FROM names_there JOIN (SELECT file FROM catalogue.trace_file UNION ALL "
                "SELECT stored_as FROM catalogue.original WHERE stored_as IS NOT NULL) named USING (file)"
            )
            found |= set(piece) - {str(row[0]) for row in rows(cursor, sql)}
        finally:
            cursor.unregister("names_there")
    return found
