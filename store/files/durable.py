"""Every write, flush and rename that the library makes, in one place.

So that the order of write, fsync, close, rename and fsync of the folder is written once, and a test can make
any of them fail or end the process there. Knows nothing of runs or catalogues.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import shutil
import socket
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO, Self

__all__ = [
    "HashingFile",
    "Sink",
    "Step",
    "copy_to",
    "fsync_file",
    "fsync_folder",
    "hash_file",
    "leftovers",
    "make_folder",
    "named",
    "new_temporary",
    "place",
    "remove",
    "set_hook",
    "step",
    "sweep",
]

Step = Callable[[str, Path], None]
"""Called before each operation with its name and path; may raise OSError or end the process. For tests."""

_CHUNK = 1 << 20
_STALE_S = 7 * 86400.0
"""After this a temporary of an unknown machine is left over: chosen by us because no import takes a week."""


class _Hook:
    """Holds the step hook; a class attribute, so that tests set it in one process only."""

    call: Step | None = None


def set_hook(hook: Step | None) -> None:
    """Call `hook(operation, path)` before every operation from now on; None ends that."""
    _Hook.call = hook


def step(operation: str, path: Path) -> None:
    """Announce an operation to the hook.

    Args:
        operation: `open`, `write`, `fsync`, `close`, `replace`, `fsync-folder`, `unlink`, `mkdir`, `begin`,
            `commit`, `committed`, `checkpoint`, `copy`.
        path: The file or folder concerned.
    """
    if _Hook.call is not None:
        _Hook.call(operation, path)


@contextlib.contextmanager
def named(path: Path) -> Iterator[None]:
    """Put the file's name into a refusal: the system names none where it was given a handle."""
    try:
        yield
    except OSError as error:
        if not error.filename:
            error.filename = str(path)
        raise


class HashingFile:
    """A new file that is written once, front to back, with its SHA-256 taken on the way.

    Leaving it by `commit()` flushes it to disk and closes it; leaving it otherwise removes it.
    """

    def __init__(self, path: Path) -> None:
        step("open", path)
        self.path = path
        self._file: BinaryIO = path.open("xb")
        self._hash = hashlib.sha256()
        self._done = False
        self.size = 0

    @property
    def closed(self) -> bool:
        """True once closed."""
        return self._file.closed

    def write(self, block: bytes | memoryview) -> int:
        """Append bytes."""
        step("write", self.path)
        with named(self.path):
            self._file.write(block)
        self._hash.update(block)
        self.size += len(block)
        return len(block)

    def flush(self) -> None:
        """Hand what is buffered to the system."""
        self._file.flush()

    def tell(self) -> int:
        """Bytes written so far."""
        return self.size

    def readable(self) -> bool:
        """False: it is only written."""
        return False

    def writable(self) -> bool:
        """True: it is only written."""
        return True

    def seekable(self) -> bool:
        """False: it is written front to back."""
        return False

    @property
    def sha256(self) -> str:
        """Hash of what was written so far, as 64 hex digits."""
        return self._hash.hexdigest()

    def commit(self, *, is_flushed: bool = True) -> None:
        """Flush to disk, then close.

        Args:
            is_flushed: False where `fsync_file` follows, when many files are written: one flush each takes 5 ms.

        Raises:
            OSError: The disk refused. The file must then be thrown away and written again from its source: a second
                fsync after a failed one succeeds without the bytes being on disk (Rebello et al., USENIX ATC 2020).
        """
        with named(self.path):
            self._file.flush()
            if is_flushed:
                step("fsync", self.path)
                os.fsync(self._file.fileno())
        step("close", self.path)
        self._file.close()
        self._done = True

    def close(self) -> None:
        """Close; a file that wasn't committed is removed."""
        with contextlib.suppress(OSError):
            self._file.close()
        if not self._done:
            remove(self.path, announce=False)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class Sink:
    """A file for a buffer of Arrow's, which closes what it is given and may write when it is thrown away.

    Closing this one does nothing; once it is over, what is written to it goes nowhere.
    """

    closed = False

    def __init__(self, file: HashingFile) -> None:
        self._file = file
        self.is_over = False

    def write(self, block: bytes | memoryview) -> int:
        """Append bytes to the file."""
        return len(block) if self.is_over else self._file.write(block)

    def tell(self) -> int:
        """Bytes written so far."""
        return self._file.tell()

    def flush(self) -> None:
        """Nothing: the file is flushed by its own commit."""

    def close(self) -> None:
        """Leave the file open."""


def make_folder(path: Path) -> None:
    """Make a folder and those above it; one that is there is fine."""
    if not path.is_dir():
        step("mkdir", path)
        path.mkdir(parents=True, exist_ok=True)


def place(temporary: Path, final: Path) -> None:
    """Rename a finished temporary to its name, replacing what an earlier, unfinished try left there."""
    step("replace", final)
    temporary.replace(final)


def fsync_file(path: Path) -> None:
    """Make a closed file durable; an error of writing it that nobody was told is told here.

    Raises:
        OSError: The disk refused; throw the file away.
    """
    step("fsync", path)
    with named(path), path.open("rb+") as file:
        os.fsync(file.fileno())


def fsync_folder(folder: Path) -> None:
    """Make the folder's entries durable; a no-op where the system can't (Windows)."""
    step("fsync-folder", folder)
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def remove(path: Path, *, announce: bool = True) -> None:
    """Remove a file that may be gone already or, on Windows, still open elsewhere."""
    if announce:
        step("unlink", path)
    with contextlib.suppress(FileNotFoundError, PermissionError):
        path.unlink()


def hash_file(path: Path, progress: Callable[[int], None] | None = None) -> str:
    """SHA-256 of a file as 64 hex digits.

    Args:
        path: The file.
        progress: Told the number of bytes of each piece read.
    """
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_CHUNK):
            digest.update(block)
            if progress is not None:
                progress(len(block))
    return digest.hexdigest()


def copy_to(source: Path, target: HashingFile) -> None:
    """Append a whole file to a new one."""
    step("copy", target.path)
    with source.open("rb") as file:
        shutil.copyfileobj(file, target, _CHUNK)


def _machine() -> str:
    return hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]


def new_temporary(folder: Path, suffix: str) -> Path:
    """A name in `folder` that no other process uses and that tells who made it."""
    return folder / f"{_machine()}-{os.getpid()}-{secrets.token_hex(6)}{suffix}"


def _is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def leftovers(folder: Path) -> Iterator[Path]:
    """Temporaries whose process has ended."""
    if not folder.is_dir():
        return
    machine = _machine()
    for path in folder.iterdir():
        parts = path.name.split("-")
        is_ours = len(parts) >= 3 and parts[0] == machine and parts[1].isdigit()
        if is_ours and sys.platform != "win32":
            if int(parts[1]) != os.getpid() and not _is_alive(int(parts[1])):
                yield path
        elif is_ours:
            if int(parts[1]) != os.getpid():
                yield path  # Windows refuses to remove what a living process holds open
        elif time.time() - path.stat().st_mtime > _STALE_S:
            yield path


def sweep(folder: Path) -> int:
    """Remove temporaries whose process has ended.

    Returns:
        How many were removed.
    """
    found = [path for path in leftovers(folder) if path.is_file()]
    for path in found:
        remove(path)
    return len(found)
