"""The bridge to threads: the newest request wins, late answers are void, leaving waits for nothing."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable

import pytest

from tui.jobs import Jobs


class Loop:
    """Stands for the event loop: callbacks wait until the test runs them."""

    def __init__(self) -> None:
        self.waiting: queue.Queue[Callable[[], None]] = queue.Queue()

    def run_one(self) -> None:
        self.waiting.get(timeout=10)()


@pytest.fixture
def loop() -> Loop:
    return Loop()


def test_a_late_answer_never_overwrites_a_newer_one(loop):
    """The first call ends after the second was asked for; only the second's answer is delivered."""
    jobs, gate, got = Jobs(loop.waiting.put), threading.Event(), []
    started = threading.Event()

    def slow() -> str:
        started.set()
        gate.wait(10)
        return "old"

    jobs.ask("list", slow, done=got.append, failed=got.append)
    assert started.wait(10)
    jobs.ask("list", lambda: "new", done=got.append, failed=got.append)
    gate.set()
    loop.run_one()
    loop.run_one()
    assert got == ["new"]
    assert not jobs.is_busy


def test_a_newer_request_interrupts_the_running_one(loop):
    jobs, ended, started = Jobs(loop.waiting.put), threading.Event(), threading.Event()

    def wait() -> None:
        started.set()
        ended.wait(10)

    jobs.ask("answer", wait, done=print, failed=print, interrupt=ended.set)
    assert started.wait(10)
    jobs.ask("answer", lambda: None, done=print, failed=print)
    assert ended.is_set()


def test_changes_are_never_dropped(loop):
    jobs, got = Jobs(loop.waiting.put), []
    for n in range(5):
        jobs.ask("change", lambda n=n: n, done=got.append, failed=got.append, must_run=True)
    for _ in range(5):
        loop.run_one()
    assert got == [0, 1, 2, 3, 4]


def test_a_failure_is_delivered_and_the_lane_goes_on(loop):
    jobs, got = Jobs(loop.waiting.put), []
    jobs.ask("list", lambda: 1 / 0, done=got.append, failed=got.append)
    loop.run_one()
    assert isinstance(got[0], ZeroDivisionError)
    jobs.ask("list", lambda: 7, done=got.append, failed=got.append)
    loop.run_one()
    assert got[1] == 7


def test_stopping_interrupts_and_delivers_nothing(loop):
    jobs, ended, started = Jobs(loop.waiting.put), threading.Event(), threading.Event()

    def wait() -> None:
        started.set()
        ended.wait(10)

    jobs.ask("answer", wait, done=print, failed=print, interrupt=ended.set)
    assert started.wait(10)
    jobs.stop()
    assert ended.is_set()
    assert jobs.ask("answer", lambda: 1, done=print, failed=print) == 0
