"""What can go wrong with a library, as sentences for people: what, where, what to do.

One family, `StoreError`. Knows no DuckDB and no file: callers pass what they found.
"""

# ruff: noqa: N818 - an error here is named for what happened, and every one is a StoreError

from __future__ import annotations

from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from pathlib import Path

__all__ = [
    "CatalogueDamaged",
    "DiskFault",
    "DiskWithoutLocks",
    "FilterError",
    "ForeignCatalogue",
    "LibraryBusy",
    "LibraryTooNew",
    "NotALibrary",
    "NotFound",
    "PartlyDone",
    "QueryFailed",
    "QueryRefused",
    "StoreError",
    "TraceDamaged",
    "UnsafePath",
    "WrongFact",
    "suggest",
]


class StoreError(Exception):
    """Something that a person can cause or must know of; its text is one clear sentence or two."""


class NotALibrary(StoreError):
    """The path holds no library, or can't hold one."""


class LibraryBusy(StoreError):
    """Another process holds the catalogue for longer than we wait."""

    @classmethod
    def held_by(cls, path: Path, holder: str, waited_s: float) -> LibraryBusy:
        """Name the process that holds the catalogue.

        Args:
            path: The library's folder.
            holder: Program and process number as the system tells them, may be empty.
            waited_s: How long we waited [s].
        """
        who = holder or "another process"
        return cls(
            f"The library {path} is in use by {who}; waited {waited_s:.0f} s. "
            f"Let it finish or end it, then run the same command again."
        )


class DiskWithoutLocks(StoreError):
    """The library lies on a disk whose locks do nothing."""

    @classmethod
    def of(cls, root: Path) -> DiskWithoutLocks:
        """Say what that would do, and what to do."""
        return cls(
            f"The disk of {root} has no working file locks: two programs at once would damage the catalogue. Move the "
            "library to a local disk, or mount this one with locks (NFS without nolock, SMB without nobrl). Nothing "
            "was changed."
        )


class LibraryTooNew(StoreError):
    """The library was made by a newer version of the program."""

    @classmethod
    def of(cls, path: Path, found: int, known: int) -> LibraryTooNew:
        """Name both schema versions."""
        return cls(
            f"The library {path} has schema {found}; this program knows up to {known}. "
            f"Update Joulebook, then open it again. Nothing was changed."
        )


class CatalogueDamaged(StoreError):
    """The catalogue can't be read; the traces still can."""

    @classmethod
    def of(cls, path: Path, cause: str) -> CatalogueDamaged:
        """Say what was found and that `rebuild` brings the runs back."""
        return cls(
            f"The catalogue {path} can't be read ({cause}). "
            f"Restore a backup, or run `joulebook rebuild`: it recreates the runs from traces and originals."
        )


class ForeignCatalogue(CatalogueDamaged):
    """The catalogue holds what this program never makes: a view, a trigger, a table of another shape."""

    @classmethod
    def holding(cls, path: Path, objects: Sequence[str]) -> ForeignCatalogue:
        """Name the objects; nothing of them has run."""
        shown = "; ".join(name[:120] for name in objects[:3]) + ("; ..." if len(objects) > 3 else "")
        return cls(
            f"The catalogue {path} holds {shown}. Joulebook creates no such thing: another program changed "
            "it; nothing in it was run. Restore a backup, or run `joulebook rebuild`: it keeps the file aside and "
            "takes over the tables that are ours."
        )


class TraceDamaged(StoreError):
    """A trace or an original isn't what the catalogue says."""


class PartlyDone(StoreError):
    """A change is stored, and some of the runs that depend on it could not be recomputed."""


class UnsafePath(TraceDamaged):
    """The catalogue names a file outside the folders of traces and originals, or through a link."""

    @classmethod
    def of(cls, root: Path, name: object, why: str) -> UnsafePath:
        """Name what the catalogue names; nothing was opened, written or removed."""
        return cls(
            f"The catalogue of {root} names the file {str(name)[:120]}, {why}. The catalogue was changed by another "
            "program; nothing outside the library was touched. Run `joulebook verify --repair`, or restore a backup."
        )


class DiskFault(StoreError):
    """The disk refused: no space, no permission, an I/O error."""

    @classmethod
    def of(cls, error: OSError, what: str) -> DiskFault:
        """Name the file and the system's own words.

        Args:
            error: What the system raised.
            what: What was being done: `writing the trace`.
        """
        where = f" {error.filename}" if error.filename else ""
        cause = error.strerror or str(error)
        return cls(f"{what}{where} failed: {cause}. Nothing was stored; fix it and rerun the command.")


class NotFound(StoreError):
    """A run, device, meter or channel that the library doesn't hold."""

    @classmethod
    def of(cls, what: str, name: object, known: Iterable[str] = ()) -> NotFound:
        """Name what was asked for, and the nearest that exists."""
        choices = list(known)
        hint = suggest(str(name), choices)
        if hint:
            tail = f" Did you mean {hint}?"
        elif choices and len(choices) <= 12:
            tail = f" There is: {', '.join(choices)}."
        else:
            tail = ""
        return cls(f"No {what} {name} in this library.{tail}")


class WrongFact(StoreError):
    """A value that a fact can't have."""


class FilterError(StoreError):
    """A word of the filter line that means nothing.

    Attributes:
        position: 0-based index of the word's first character in the text.
        word: The word as typed.
        message: What is wrong with it.
        suggestion: What was probably meant, or None.
    """

    def __init__(self, position: int, word: str, message: str, suggestion: str | None = None) -> None:
        self.position = position
        self.word = word
        self.message = message
        self.suggestion = suggestion
        hint = f" Did you mean {suggestion}?" if suggestion else ""
        super().__init__(f"{word} (at {position + 1}): {message}{hint}")


class QueryRefused(StoreError):
    """SQL that isn't one reading statement."""


class QueryFailed(StoreError):
    """SQL that is allowed but wrong, too slow or interrupted.

    Attributes:
        position: 0-based index of the offending character in the SQL, or None.
        was_interrupted: True where a person or the time limit ended it.
    """

    def __init__(self, message: str, *, position: int | None = None, was_interrupted: bool = False) -> None:
        self.position = position
        self.was_interrupted = was_interrupted
        super().__init__(message)


def suggest(word: str, known: Iterable[str]) -> str | None:
    """The known word nearest to a mistyped one, or None."""
    by_folded = {name.casefold(): name for name in known}
    near = get_close_matches(word.casefold(), list(by_folded), n=1, cutoff=0.6)
    return by_folded[near[0]] if near else None
