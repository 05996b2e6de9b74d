"""What an import must know of the runs that are there, kept between files and read on, not anew.

A batch looks after every commit, its own and others': reading hashes, names and start times of all runs each time
made a file of the ten-thousandth cost more than the first. Knows the catalogue's table of runs only.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import duckdb
import numpy as np

from store.catalogue.connection import rows
from store.catalogue.numbers import next_run_id
from store.devices.bench import Bench, load_bench
from store.words.clock import as_utc

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["KnownRuns", "known_runs"]

_STATE = (
    "SELECT coalesce(max(run_id), 0), count(*) FILTER (run_id <= $1), sum(h) FILTER (run_id <= $1), count(*), sum(h) "
    "FROM (SELECT run_id, hash(run_id, source_sha256, source_bytes, source_file, started_at) AS h FROM catalogue.run)"
)
"""Of all runs, and of those that were there before: highest number, count, and a sum that tells any other change."""
_NEW = "SELECT source_bytes, source_sha256, source_file, started_at FROM catalogue.run WHERE run_id > ?"


class KnownRuns:
    """Hashes and sizes of the originals, names and start times, as the catalogue has them."""

    def __init__(self, library: Store) -> None:
        self._library = library
        self._generation = -1
        self._highest = 0
        self._state: tuple[int, int] = (0, 0)
        self.bench = Bench()
        self.next_id = 0
        self._forget()

    def _forget(self) -> None:
        self.hashes: dict[int, set[str]] = {}
        """Hashes of the originals by size [bytes]."""
        self.sources: set[str] = set()
        self.names: set[str] = set()
        self.starts: set[datetime] = set()
        self.sizes = np.zeros(0, dtype=np.int64)
        """Sizes of the originals, each once, in order."""

    def look(self) -> KnownRuns:
        """Bring it up to the catalogue, where that changed since: two stats where it did not."""
        generation = self._library.generation()
        if generation != self._generation:
            with self._library.catalogue.reader() as cursor:
                self._read(cursor)
            self.bench = load_bench(self._library)
            self._generation = generation
        return self

    def _read(self, cursor: duckdb.DuckDBPyConnection) -> None:
        highest, *found = rows(cursor, _STATE, [self._highest])[0]
        old, new = (int(found[0]), int(found[1] or 0)), (int(found[2]), int(found[3] or 0))
        if old != self._state:  # runs that were there before are gone, or have other facts
            self._forget()
            self._highest = 0
        for size, sha256, name, started_at in rows(cursor, _NEW, [self._highest]):
            self.hashes.setdefault(int(size), set()).add(str(sha256))
            self.sources.add(str(sha256))
            self.names.add(str(name))
            if (start := as_utc(started_at)) is not None:
                self.starts.add(start)
        if len(self.sizes) != len(self.hashes):
            self.sizes = np.array(sorted(self.hashes), dtype=np.int64)
        self._highest, self._state = int(highest), new
        self.next_id = next_run_id(cursor)


def known_runs(library: Store) -> KnownRuns:
    """The one of a library, kept with it."""
    return library.service(KnownRuns).look()
