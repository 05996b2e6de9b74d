"""A folder that a meter's software drops files into: each is imported once it has stopped growing.

Knows files, a clock and the importer; prints nothing. Keeps no state of its own: the library knows by their hash which
files it has, so being stopped at any moment loses nothing, and the next watch goes on.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from store.imports.importer import FileOutcome, find_files

__all__ = ["SETTLED_S", "FolderWatch", "Watcher", "watch"]

SETTLED_S = 10.0
"""A file that kept its size and time for so long has stopped growing: meters' software writes at least each second
or two, and in one go at the end. Chosen by us."""

Mark = tuple[int, int]
"""Size and time of last change [ns]."""


@dataclass(slots=True)
class Watcher:
    """What was seen of each file: pure bookkeeping, told the time by its caller."""

    settled_s: float = SETTLED_S
    _seen: dict[Path, tuple[Mark, float]] = field(default_factory=dict)
    """File to its mark and the moment [s] since which it has it."""
    _done: dict[Path, Mark] = field(default_factory=dict)

    def look(self, marks: dict[Path, Mark], now_s: float) -> list[Path]:
        """Files that are settled and not yet done, in order of name.

        Args:
            marks: Every file there is, with its mark.
            now_s: Any clock that never goes back [s].
        """
        for gone in [path for path in self._seen if path not in marks]:
            del self._seen[gone]
        settled = []
        for path, mark in sorted(marks.items()):
            before, since_s = self._seen.get(path, (None, now_s))
            if before != mark:
                since_s = now_s
            self._seen[path] = (mark, since_s)
            if now_s - since_s >= self.settled_s and self._done.get(path) != mark:
                settled.append(path)
        return settled

    def finish(self, path: Path, mark: Mark) -> None:
        """Don't give this file again unless it changes."""
        self._done[path] = mark

    @property
    def waiting(self) -> int:
        """How many files are still settling."""
        return sum(self._done.get(path) != mark for path, (mark, _) in self._seen.items())


def marks_of(folder: Path) -> dict[Path, Mark]:
    """Exports below a folder with size and time; a file that vanishes meanwhile is left out."""
    found: dict[Path, Mark] = {}
    for path in find_files([folder]).files:
        try:
            facts = path.stat()
        except OSError:
            continue
        if facts.st_size:  # an empty file is one that is about to be written
            found[path] = (facts.st_size, facts.st_mtime_ns)
    return found


@dataclass(slots=True)
class FolderWatch:
    """A folder that is looked at again and again by whoever has a clock."""

    folder: Path
    watcher: Watcher = field(default_factory=Watcher)

    def settled(self, now_s: float) -> list[Path]:
        """Files that have stopped growing: each is given once, and again only when it changes.

        Args:
            now_s: Any clock that never goes back [s].
        """
        marks = marks_of(self.folder) if self.folder.is_dir() else {}
        found = self.watcher.look(marks, now_s)
        for path in found:
            self.watcher.finish(path, marks[path])
        return found


def watch(
    folder: Path,
    take: Callable[[Path], FileOutcome],
    *,
    watcher: Watcher | None = None,
    now: Callable[[], float] = time.monotonic,
    pause: Callable[[], bool],
) -> Iterator[FileOutcome]:
    """Import files as they settle, until the caller has seen enough.

    Args:
        folder: Where files appear; it may come and go.
        take: Imports one file, all or nothing.
        watcher: What was seen so far.
        now: A clock that never goes back [s].
        pause: Waits for the next look; False ends the watch.

    Yields:
        An outcome per file. One that is refused is tried again only when it changes; where the library was merely
        busy it is tried again at the next look.
    """
    seen = watcher or Watcher()
    while True:
        marks = marks_of(folder) if folder.is_dir() else {}
        for path in seen.look(marks, now()):
            outcome = take(path)
            if not outcome.is_busy:
                seen.finish(path, marks[path])
                yield outcome
        if not pause():
            return
