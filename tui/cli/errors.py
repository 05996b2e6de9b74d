"""From an exception to the one sentence and the exit status that a person gets.

Knows the error families of importers and store; prints nothing itself.
"""

from __future__ import annotations

import errno
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

__all__ = [
    "BUSY",
    "DONE",
    "INTERRUPTED",
    "NOT_DONE",
    "USAGE",
    "Explained",
    "Refusal",
    "explain",
    "hidden_part",
    "log_unexpected",
]

DONE = 0
NOT_DONE = 1
USAGE = 2
BUSY = 3
INTERRUPTED = 130

_PARTS = ("tui", "store", "importers", "demo_parquet")
_OUTPUT_GONE = (errno.ENOSPC, errno.EIO, errno.EFBIG, errno.EDQUOT) if hasattr(errno, "EDQUOT") else (errno.ENOSPC,)


class Refusal(Exception):  # noqa: N818 (a statement, not a fault)
    """Something that can't be done, said in full; ends the command with its status."""

    def __init__(self, message: str, status: int = NOT_DONE) -> None:
        super().__init__(message)
        self.status = status


@dataclass(frozen=True, slots=True)
class Explained:
    """What a person is told, and the exit status."""

    message: str
    status: int


def hidden_part(error: BaseException) -> str | None:
    """The sentence for a part of the program that another package of its name hides; None for any other error."""
    name = (getattr(error, "name", None) or "").partition(".")[0]
    if not isinstance(error, ImportError) or name not in _PARTS:
        return None
    where = getattr(sys.modules.get(name), "__file__", None) or "this Python's path"
    return (
        f"Another package called `{name}` hides Joulebook's own ({where}). Remove it, or install Joulebook in an "
        "environment of its own: `pipx install joulebook` or `uv tool install joulebook`."
    )


def explain(error: BaseException) -> Explained | None:
    """The sentence and status for an error that a person can cause; None for one that is ours."""
    if isinstance(error, Refusal):
        return Explained(str(error), error.status)
    if (found := _of_the_library(error)) is not None:
        return found
    if isinstance(error, OSError) and error.errno in _OUTPUT_GONE:
        return Explained(
            f"The output could not be written: {error.strerror}. Nothing in the library changed.", NOT_DONE
        )
    if isinstance(error, OSError) and error.filename is not None:
        return Explained(f"{error.filename}: {error.strerror}.", NOT_DONE)
    return None


def _of_the_library(error: BaseException) -> Explained | None:
    """Explain an error of store or importers, which are loaded if such an error exists."""
    if "store" in sys.modules:
        from store import FilterError, LibraryBusy, StoreError

        if isinstance(error, LibraryBusy):
            return Explained(str(error), BUSY)
        if isinstance(error, FilterError):
            return Explained(str(error), USAGE)
        if isinstance(error, StoreError):
            return Explained(str(error), NOT_DONE)
    if "importers" in sys.modules:
        from importers.problems import ImportProblem

        if isinstance(error, ImportProblem):
            return Explained(str(error), NOT_DONE)
    return None


def log_unexpected(error: BaseException, arguments: list[str]) -> Path | None:
    """Append the traceback to the program's log; its path, or None where no log can be written."""
    import traceback  # these only when something went wrong

    import platformdirs

    from store.version import __version__

    lines = "".join(traceback.format_exception(error))
    head = f"{datetime.now(UTC).isoformat(timespec='seconds')} joulebook {__version__} {arguments!r}\n"
    path = platformdirs.user_state_path("joulebook", appauthor=False) / "joulebook.log"
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with path.open("a", encoding="utf-8", errors="backslashreplace") as log:
            log.write(head + lines + "\n")
    except OSError:
        return None
    return path
