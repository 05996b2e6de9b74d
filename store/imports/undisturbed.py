"""Ctrl-C waits until what is begun is done. Knows signals only."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

__all__ = ["undisturbed"]


@contextmanager
def undisturbed() -> Iterator[None]:
    """Put Ctrl-C off to the end of the block: for what takes a second at most and must not end half-way.

    Between naming traces and committing their rows, an interrupt would leave files that no row knows.
    """
    before = signal.getsignal(signal.SIGINT)
    if threading.current_thread() is not threading.main_thread() or before is None:
        yield
        return
    came: list[int] = []

    def note(number: int, _frame: FrameType | None) -> None:
        came.append(number)

    signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if came:
            signal.raise_signal(signal.SIGINT)
