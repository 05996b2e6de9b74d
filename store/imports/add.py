"""Imports from Python: files and folders into an open library, as the command line imports them.

Knows the importer; prints nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from importers.schema import Facts
from store.imports.importer import FileOutcome, Order, find_files
from store.imports.job import ImportJob
from store.imports.many_jobs import ImportBatch
from store.imports.workers import import_files
from store.model.records import IngestOutcome
from store.runs.proposals import Proposal, accept, proposals

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["Imports"]


@dataclass(frozen=True, slots=True)
class Imports:
    """Exports into one library."""

    store: Store

    def add(
        self,
        paths: str | Path | Iterable[str | Path],
        facts: Facts | None = None,
        *,
        profile: str | None = None,
        answers: Mapping[str, str] | None = None,
        zone: str | None = None,
        dry_run: bool = False,
        workers: int = 1,
        progress: Callable[[int, int], None] | None = None,
    ) -> list[FileOutcome]:
        """Import files, and what folders hold; each file is all or nothing, the same bytes are taken once.

        Args:
            paths: One or several files and folders.
            facts: What holds for all of them: device, kind, port, mode and so on.
            profile: The profile to read them by; the one that fits where None.
            answers: Answers to an inspection's questions, by their ids.
            zone: IANA name of the zone of local times; the library's where None.
            dry_run: Read and say, store nothing.
            workers: Processes; more than one needs a main module that can be imported again.
            progress: Called with (done, total) bytes.

        Returns:
            An outcome per file; a refused file says why in its `reason` and does not end the rest.

        Raises:
            Stopped: On Ctrl-C, with the outcomes of all files.
        """
        named = (paths,) if isinstance(paths, (str, Path)) else tuple(paths)
        found = find_files(Path(path) for path in named)
        order = Order(facts or Facts(), profile, dict(answers or {}), zone, dry_run)
        return import_files(self.store, found.files, order, progress or _untold, workers=workers)

    def begin(self, path: str | Path, facts: Facts | None = None, *, is_own: bool = False) -> ImportJob:
        """Begin to import one file: a context manager that hashes it and takes its runs.

        A log that was imported before and has grown since takes the place of its shorter version, whose facts, note,
        group and pairs it keeps; `part` takes that back.

        Args:
            path: The file.
            facts: What holds for its runs.
            is_own: True to make it a run of its own even if it is a longer version of another.

        Raises (on entering):
            DiskFault: The file can't be read.
        """
        return ImportJob(self.store, Path(path), facts or Facts(), is_own=is_own)

    def proposals(self, run_ids: Iterable[int]) -> tuple[Proposal, ...]:
        """What some runs belong together with: parts of one log to join, logs of one moment to group.

        Args:
            run_ids: Runs, as those of an import's outcomes.
        """
        return proposals(self.store, run_ids)

    def accept(self, proposal: Proposal) -> int:
        """Join or group the runs of a proposal; `part` and `ungroup` take it back.

        Returns:
            The joined run, or the first of the group.

        Raises:
            WrongFact: It can't be done after all, with the reason.
        """
        return accept(self.store, proposal)

    def batch(
        self,
        *,
        every_files: int = 128,
        every_s: float = 5.0,
        reserve: int = 0,
        on_committed: Callable[[Path, IngestOutcome], None] | None = None,
    ) -> ImportBatch:
        """Import many files, several per transaction: see `ImportBatch`."""
        return ImportBatch(
            self.store, every_files=every_files, every_s=every_s, reserve=reserve, on_committed=on_committed
        )


def _untold(_done: int, _total: int) -> None:
    """Nobody asked how far it is."""
