"""Other processes that take a share of much work. Knows processes and signals; what they do is the caller's."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from typing import Any, TypeVar

__all__ = ["cores", "finished", "helpers", "is_main_thread"]

T = TypeVar("T")
_THREADS = ("POLARS_MAX_THREADS", "OPENBLAS_NUM_THREADS")


def cores() -> int:
    """Cores that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)  # not on macOS and Windows
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def is_main_thread() -> bool:
    """Whether this is the main thread: another one's process has an interface that must not stand still."""
    return threading.current_thread() is threading.main_thread()


@contextmanager
def helpers(count: int, begin: Callable[..., None], *args: object) -> Iterator[ProcessPoolExecutor]:
    """Processes that are started at once and are deaf to Ctrl-C: this process alone decides when to stop.

    Leaving lets them finish what they do and forgets what waits: a second or so.

    Args:
        count: How many.
        begin: Called in each when it starts; a function of a module.
        args: What it is called with.
    """
    with _one_thread_each(count + 1), _deaf_to_interrupts():
        pool = ProcessPoolExecutor(
            count,
            mp_context=multiprocessing.get_context("spawn"),  # a fork would copy locks of Polars' threads
            initializer=_begin,
            initargs=(begin, args),
        )
        for _ in range(count):  # they start when they are given something
            pool.submit(_nothing)
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _begin(begin: Callable[..., None], args: tuple[Any, ...]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Windows hands nothing down
    begin(*args)


def _nothing() -> None:
    pass


def finished(waiting: dict[Future[T], Any], *, is_idle: bool) -> Iterator[tuple[Any, T]]:
    """What is done of what waits, with its key, taken out; waits for something only where this process is idle."""
    for future in wait(waiting, None if is_idle else 0.0, return_when=FIRST_COMPLETED).done if waiting else ():
        yield waiting.pop(future), future.result()


@contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    if not is_main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _one_thread_each(processes: int) -> Iterator[None]:
    """Let each started process use its share of the cores: Polars and NumPy read the number on loading."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, str(max(cores() // processes, 1))))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
