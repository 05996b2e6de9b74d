"""Many imports, several per transaction, for speed: each file is still all or nothing.

Knows jobs and the catalogue's state between two of them; who reads the exports is the caller's business.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

import numpy as np

from importers.schema import Facts, ImportedExport
from store.care.repack import pack_if_loose
from store.catalogue.numbers import reserve_run_ids
from store.devices.bench import Bench
from store.imports.commit import PreparedFile, commit_prepared, known_outcome
from store.imports.grown import Beginnings, LogStart
from store.imports.job import ImportJob
from store.imports.known_runs import known_runs
from store.imports.undisturbed import undisturbed
from store.model.records import IngestOutcome

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["ImportBatch"]


class ImportBatch:
    """Several files per transaction, for speed; each file is still all or nothing.

    Use: `with ImportBatch(library, on_committed=...) as batch: with batch.begin_import(path, facts) as job: ...;
    batch.commit(job, export)`. A file is durable once `on_committed` was called for it.

    Args:
        library: Where runs go.
        every_files: Files after which what waits is stored.
        every_s: Seconds after which it is.
        reserve: Numbers of runs taken at a time, where other processes import at the same time: else traces whose
            numbers were taken meanwhile are written a second time.
        on_committed: Called for each file once it is durable.
    """

    def __init__(
        self,
        library: Store,
        *,
        every_files: int = 128,
        every_s: float = 5.0,
        reserve: int = 0,
        on_committed: Callable[[Path, IngestOutcome], None] | None = None,
    ) -> None:
        self._library = library
        self._every_files = every_files
        self._every_s = every_s
        self._reserve = reserve
        self._on_committed = on_committed
        self._waiting: list[PreparedFile] = []
        self._since = time.monotonic()
        self._sizes: dict[int, set[str]] = {}
        """Hashes by size of what waits."""
        self._next_id = 0
        self._reserved_to = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.flush()
        finally:
            self._discard()

    def begin_import(self, path: str | Path, facts: Facts | None = None, *, is_own: bool = False) -> ImportJob:
        """Begin a file as a part of this batch: see `ImportJob`."""
        return ImportJob(self._library, Path(path), facts or Facts(), self, is_own=is_own)

    def commit(self, job: ImportJob, export: ImportedExport) -> None:
        """Take a file that was read; it is stored with the next flush."""
        prepared = job.prepare(export)
        self._next_id = job.next_id
        self._waiting.append(prepared)
        self._sizes.setdefault(int(prepared.original["bytes"]), set()).add(prepared.sha256)
        if len(self._waiting) >= self._every_files or time.monotonic() - self._since >= self._every_s:
            self.flush()

    def bench(self) -> Bench:
        """Devices and meters, as of the catalogue's state."""
        return known_runs(self._library).bench

    def beginnings(self, length: int) -> Beginnings:
        """Imported exports that are shorter [bytes], those that wait to be stored among them."""
        known = known_runs(self._library)
        waiting = [size for size in self._sizes if size < length]
        sizes = known.sizes[: int(np.searchsorted(known.sizes, length))]
        return Beginnings(np.concatenate((sizes, np.array(waiting, dtype=np.int64))), (known.hashes, self._sizes))

    def may_know(self, starts: Sequence[LogStart], beginnings: Sequence[str]) -> bool:
        """Whether a version of these logs may be there: of the same beginning, file name or start time.

        What waits and is alike is stored first.
        """
        names = {start.source_file for start in starts}
        moments = {start.started_at for start in starts if start.started_at is not None}
        for prepared in self._waiting:
            is_named_alike = prepared.path.name in names or prepared.sha256 in beginnings
            if is_named_alike or any(r.facts.started_at in moments for r, _ in prepared.runs):
                self.flush()
                break
        seen = known_runs(self._library)
        return bool(beginnings) or not (names.isdisjoint(seen.names) and moments.isdisjoint(seen.starts))

    def known(self, sha256: str) -> IngestOutcome | None:
        """What the same bytes made before; None where they are new. What waits with these bytes is stored first."""
        if any(prepared.sha256 == sha256 for prepared in self._waiting):
            self.flush()
        if sha256 not in known_runs(self._library).sources:
            return None
        with self._library.catalogue.reader() as cursor:
            return known_outcome(cursor, sha256)

    def first_id(self) -> int:
        """The number for a file's first run: reserved where other processes number runs at the same time."""
        if self._reserve and self._next_id >= self._reserved_to:
            self._next_id = reserve_run_ids(self._library, self._reserve)
            self._reserved_to = self._next_id + self._reserve
        self._next_id = self._next_id or known_runs(self._library).next_id
        return self._next_id

    def flush(self) -> None:
        """Store what is waiting, in one transaction; Ctrl-C waits for its end."""
        with undisturbed():
            self._flush()

    def _flush(self) -> None:
        waiting, self._waiting = self._waiting, []
        self._sizes = {}
        self._since = time.monotonic()
        if not self._reserve:
            self._next_id = 0
        if not waiting:
            return
        outcomes = commit_prepared(self._library, waiting)
        if self._on_committed:
            for prepared, outcome in zip(waiting, outcomes, strict=True):
                self._on_committed(prepared.path, outcome)
        pack_if_loose(self._library)

    def _discard(self) -> None:
        for prepared in self._waiting:
            prepared.discard()
        self._waiting = []
