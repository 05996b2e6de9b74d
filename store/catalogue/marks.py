"""What tells one state of the catalogue from the next, without opening it.

Knows the two files' facts as the file system tells them; no engine.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

__all__ = ["CommitMark", "mark_of"]

_COARSEST_NS = 2_000_000_000
"""Some file systems tell the time of a change to two seconds (FAT); others to the tick of a clock."""


class CommitMark(NamedTuple):
    """Changes with every commit by any process."""

    facts: tuple[int, ...]
    """Time of the last change [ns], size [B] and inode of the catalogue, then of its log; 0 for none."""
    newest_ns: int
    """When either changed last."""
    has_log: bool
    """Whether there is a write-ahead log: a process writes, or was killed."""

    @property
    def number(self) -> int:
        """The facts as one number; 0 where there is no catalogue."""
        return hash(self.facts) if any(self.facts) else 0

    def is_settled(self, now_ns: int) -> bool:
        """Whether a later commit would have another mark: one in the same tick of the clock might not."""
        return not self.has_log and self.newest_ns + _COARSEST_NS < now_ns


def mark_of(catalogue: Path, log: Path) -> CommitMark:
    """The mark of a catalogue as it lies there now; costs two stats."""
    facts: list[int] = []
    newest, is_there = 0, []
    for path in (catalogue, log):
        try:
            found = path.stat()
        except OSError:
            facts.append(0)
            is_there.append(False)
        else:
            facts.extend((found.st_mtime_ns, found.st_size, found.st_ino))
            newest = max(newest, found.st_mtime_ns)
            is_there.append(True)
    return CommitMark(tuple(facts), newest, is_there[1])
