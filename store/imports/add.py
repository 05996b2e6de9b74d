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
from store.imports.workers import import_files
from store.runs.proposals import Proposal, accept, proposals

if TYPE_CHECKING:
    from store.library import Library

__all__ = ["Imports"]


@dataclass(frozen=True, slots=True)
class Imports:
    """Exports into one library."""

    library: Library

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
        return import_files(self.library, found.files, order, progress or _untold, workers=workers)

    def proposals(self, run_ids: Iterable[int]) -> tuple[Proposal, ...]:
        """What some runs belong together with: parts of one log to join, logs of one moment to group.

        Args:
            run_ids: Runs, as those of an import's outcomes.
        """
        return proposals(self.library, run_ids)

    def accept(self, proposal: Proposal) -> int:
        """Join or group the runs of a proposal; `part` and `ungroup` take it back.

        Returns:
            The joined run, or the first of the group.

        Raises:
            WrongFact: It can't be done after all, with the reason.
        """
        return accept(self.library, proposal)


def _untold(_done: int, _total: int) -> None:
    """Nobody asked how far it is."""
