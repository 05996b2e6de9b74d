"""The program in a real pseudo-terminal of its own, keys in and text out; waits on what is told, never on time."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import re
import select
import signal
import struct
import sys
import termios
import time
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Self

__all__ = ["Terminal"]

LONGEST_S = 120.0
"""What has not come after this will not come."""
_ESCAPES = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|\][^\x07\x1b]*(?:\x07|\x1b\\)|P[^\x1b]*\x1b\\|[@-_=>])")


class Terminal:
    """`python -m tui` with a controlling terminal; killed at the end whatever happened.

    Args:
        env: Variables beside this process's own.
        columns: Width in cells.
        rows: Height in lines.
    """

    def __init__(self, env: Mapping[str, str], *, columns: int = 80, rows: int = 24) -> None:
        self._env = {**os.environ, "TERM": "xterm-256color", **env}
        self._size = (rows, columns)
        self._told = b""
        self.keys = 0
        """Keys that were pressed; a path that is pasted counts as one."""

    def __enter__(self) -> Self:
        self._pid, self._fd = pty.fork()
        if self._pid == 0:
            os.execve(sys.executable, [sys.executable, "-m", "tui"], self._env)
        fcntl.ioctl(self._fd, termios.TIOCSWINSZ, struct.pack("HHHH", *self._size, 0, 0))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._pid, signal.SIGKILL)
        with contextlib.suppress(ChildProcessError):
            os.waitpid(self._pid, 0)
        os.close(self._fd)

    @property
    def text(self) -> str:
        """What was written since the last key, without colours and moves."""
        return _ESCAPES.sub(" ", self._told.decode(errors="replace"))

    def press(self, *keys: str) -> None:
        """Press keys one after the other; what was told before is forgotten."""
        self._read(0.0)
        self._told = b""
        for key in keys:
            os.write(self._fd, key.encode())
            self.keys += 1

    def until(self, words: str | Callable[[], bool]) -> None:
        """Wait until words are told, or something is true."""
        begun = time.monotonic()
        while not (words() if callable(words) else _holds(self.text, words)):
            assert time.monotonic() - begun < LONGEST_S, f"never came: {words}\n{self.text[-3000:]}"
            self._read(0.1)

    def ended(self) -> int:
        """Wait for the program's end; its exit status."""
        begun = time.monotonic()
        while True:
            self._read(0.1)
            pid, status = os.waitpid(self._pid, os.WNOHANG)
            if pid:
                return os.waitstatus_to_exitcode(status)
            assert time.monotonic() - begun < LONGEST_S, "the program does not end"

    def _read(self, wait_s: float) -> None:
        while select.select([self._fd], [], [], wait_s)[0]:
            try:
                block = os.read(self._fd, 65536)
            except OSError:
                return  # the other end is closed
            if not block:
                return
            self._told += block
            wait_s = 0.0


def _holds(text: str, words: str) -> bool:
    """Whether words were told, however they were broken into pieces."""
    return "".join(words.split()) in "".join(text.split())
