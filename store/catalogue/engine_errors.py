"""What the engine's complaints about the catalogue's file mean: busy, damaged, refused by the disk.

Knows the engine's wording; opens nothing.
"""

from __future__ import annotations

import re
from pathlib import Path

import duckdb

from store.errors import CatalogueDamaged, DiskFault

__all__ = ["explain", "first_line", "holder", "is_busy", "is_fatal", "is_refused_by_disk"]

_HOLDER = re.compile(
    r"lock is held in (?P<program>\S[^(]*?) ?\(PID (?P<pid>\d+)\)|already open in (?P<windows>.+?)$", re.MULTILINE
)
_BUSY = (
    "could not set lock",
    "conflicting lock",
    "being used by another process",
    "already open in",
    "unique file handle",
)
_DISK = ("could not write", "could not fsync", "could not truncate", "failed to commit", "no space left")
_DAMAGED = (
    "not a valid duckdb database",
    "corrupt",
    "checksum",
    "serialization error",
    "could not read enough bytes",
    "failed to deserialize",
    "fatal error",
)


def is_busy(error: duckdb.Error) -> bool:
    """True where another process holds the file."""
    text = str(error).casefold()
    return any(words in text for words in _BUSY)


def is_fatal(error: duckdb.Error) -> bool:
    """True where the engine will refuse everything that follows."""
    return isinstance(error, duckdb.FatalException | duckdb.InternalException) or "invalidated" in str(error)


def is_refused_by_disk(error: duckdb.Error) -> bool:
    """True where a write, flush or truncation was refused."""
    text = str(error).casefold()
    return any(words in text for words in _DISK)


def first_line(error: object) -> str:
    """The complaint's first line, without the name of its kind and the full stop."""
    return re.sub(r"^(\w+ )?Error: ", "", str(error).splitlines()[0]).rstrip(".")


def holder(error: duckdb.Error) -> str:
    """Program and process that hold the file, as the complaint names them; may be empty."""
    found = _HOLDER.search(str(error))
    if not found:
        return ""
    if found["pid"]:
        return f"{Path(found['program']).name} (process {found['pid']})"
    return str(found["windows"])


def explain(error: duckdb.Error, path: Path) -> None:
    """Raise our own error where the cause is the file; return where it is something else.

    Raises:
        DiskFault: It can't be opened, or the disk refused.
        CatalogueDamaged: It can't be read.
    """
    text = str(error).casefold()
    if isinstance(error, PermissionError) or "permission denied" in text or "cannot open file" in text:
        raise DiskFault(f"{path} can't be opened: {first_line(error)}.") from error
    if is_refused_by_disk(error):
        raise DiskFault(f"Writing the catalogue {path} failed: {first_line(error)}. Nothing was changed.") from error
    if any(words in text for words in _DAMAGED) or isinstance(
        error, duckdb.InternalException | duckdb.SerializationException
    ):
        raise CatalogueDamaged.of(path, first_line(error)) from error
