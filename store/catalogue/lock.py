"""Whose turn it is among processes that wait for one catalogue: a writer must not starve behind readers.

The engine's lock is had by trying again and again, and readers that overlap leave a writer no gap. So everybody passes
a lock on the library's folder first, readers together, a writer alone, and keeps it only until the catalogue is
attached: behind a writer who waits no reader begins. Where the system has no such locks (Windows, some network disks)
one tries one's luck as before. Knows files only.
"""

from __future__ import annotations

import errno
import os
import random
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

__all__ = ["locks_work", "pause", "recovering", "turn"]

_FIRST_PAUSE_S = 0.002
_LONGEST_PAUSE_S = 0.03
"""No longer pauses: whoever has waited long would lose to those who have just come."""


def pause(tries: int) -> None:
    """Wait a little before another try, spreading those who wait."""
    longest = min(_FIRST_PAUSE_S * 1.5**tries, _LONGEST_PAUSE_S)
    time.sleep(longest * random.uniform(0.5, 1.5))  # noqa: S311 - spreads the waiters, keeps no secret


@contextmanager
def turn(folder: Path, *, alone: bool, until: float) -> Iterator[None]:
    """Wait for one's turn, then hold it; whoever comes later waits.

    Args:
        folder: The library's folder.
        alone: True for a writer.
        until: Moment on the monotonic clock [s] after which one goes on without: the catalogue's own lock decides.
    """
    if sys.platform == "win32":
        yield
        return
    import fcntl  # noqa: PLC0415 - Windows has none

    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        yield
        return
    try:
        tries = 0
        while True:
            try:
                fcntl.flock(handle, (fcntl.LOCK_EX if alone else fcntl.LOCK_SH) | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() >= until:
                    break
                pause(min(tries, 8))
                tries += 1
            except OSError:
                break  # a disk without locks
        yield
    finally:
        os.close(handle)


@contextmanager
def recovering(path: Path) -> Iterator[bool]:
    """Hold a lock while something is put right; False where another process holds it.

    Args:
        path: A file that is there.

    Raises:
        OSError: It can't be opened.
    """
    if sys.platform == "win32":
        yield True
        return
    import fcntl  # noqa: PLC0415 - Windows has none

    handle = os.open(path, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
        else:
            yield True
    finally:
        os.close(handle)


def locks_work(probe: Path) -> bool:
    """Whether two handles of one file shut each other out; True where the system can't tell.

    Args:
        probe: A file to be made for it; it is removed.

    Raises:
        OSError: It can't be written: a disk that is only read needs no locks.
    """
    if sys.platform == "win32":
        return True
    import fcntl  # noqa: PLC0415 - Windows has none
    import struct  # noqa: PLC0415 - for the probe alone

    with probe.open("xb") as first:
        try:
            with probe.open("r+b") as second:
                command = getattr(fcntl, "F_OFD_SETLK", None)
                if command is None:
                    return _shut_out(lambda file: fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB), first, second)
                whole = struct.pack("hhqqi4x", fcntl.F_WRLCK, os.SEEK_SET, 0, 0, 0)
                return _shut_out(lambda file: fcntl.fcntl(file, command, whole), first, second)
        finally:
            probe.unlink(missing_ok=True)


def _shut_out(lock: Callable[[BinaryIO], object], first: BinaryIO, second: BinaryIO) -> bool:
    try:
        lock(first)
    except OSError as error:
        return error.errno == errno.EINVAL  # the probe is not known here; anything else is a disk without locks
    try:
        lock(second)
    except OSError:
        return True
    return False
