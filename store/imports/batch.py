"""Several files through one transaction, each still all or nothing: an import of hundreds spends its time on reading.

Knows store.imports.importer and the library's batches; prints nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

from importers.schema import ImportedExport
from store.core import Store
from store.errors import StoreError
from store.imports.importer import REFUSALS, FileOutcome, Order, Progress, imported, known_before, read_into, refusal
from store.imports.many_jobs import ImportBatch
from store.model.records import IngestOutcome

__all__ = ["Together"]


class Together:
    """Files that share transactions: `with Together(library, order, told) as together: together.take(file)`.

    Args:
        library: Where their runs go.
        order: Facts, profile and answers that hold for all.
        told: Called with each file's outcome as soon as it is final, which may be after later files were taken.
        reserve: Numbers of runs taken at a time, where other processes import into the library too.
    """

    def __init__(
        self, library: Store, order: Order, told: Callable[[Path, FileOutcome], None], *, reserve: int = 0
    ) -> None:
        self._library = library
        self._order = order
        self._told = told
        self._waiting: dict[Path, ImportedExport] = {}
        self._batch = ImportBatch(library, reserve=reserve, on_committed=self._committed)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Store what is waiting, also after Ctrl-C: what was read in full is not lost."""
        try:
            self._batch.__exit__(kind, error, trace)
        except StoreError as refused:
            self._refuse_waiting(refused)

    def take(self, file: Path, progress: Progress | None = None) -> None:
        """Read a file; it is stored with the batch's next transaction."""
        try:
            with self._batch.begin_import(file, self._order.facts, is_own=self._order.is_own) as job:
                if job.already_outcome is not None:
                    self._told(file, known_before(file, job.already_outcome))
                    return
                export = read_into(job, self._library, file, self._order, progress)
                self._waiting[file] = export
                self._batch.commit(job, export)
        except REFUSALS as refused:
            if file in self._waiting:  # the transaction failed, and with it all that waited for it
                self._refuse_waiting(refused)
            else:
                self._told(file, refusal(file, refused))

    def _committed(self, file: Path, outcome: IngestOutcome) -> None:
        self._told(file, imported(file, self._waiting.pop(file), outcome))

    def _refuse_waiting(self, error: Exception) -> None:
        while self._waiting:
            file, _ = self._waiting.popitem()
            self._told(file, refusal(file, error))
