"""The only bridge to threads: calls of the library run in lanes, the newest request of a lane wins.

Knows threads and callables: no Textual, no library. Whoever makes a `Jobs` says how a callback gets back to the event
loop. Threads are daemons, so that leaving the program never waits for one; what holds a query is interrupted first.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Generic, NamedTuple, TypeVar

__all__ = ["Jobs"]

T = TypeVar("T")

_log = logging.getLogger(__name__)


class _Request(NamedTuple, Generic[T]):
    number: int
    call: Callable[[], T]
    done: Callable[[T], None]
    failed: Callable[[Exception], None]
    interrupt: Callable[[], None] | None
    must_run: bool


@dataclass(slots=True)
class _Lane:
    newest: int = 0
    waiting: deque[_Request[Any]] = field(default_factory=deque)
    running: _Request[Any] | None = None
    has_thread: bool = False


class Jobs:
    """Runs calls off the event loop and brings their answers back.

    Args:
        deliver: Called from a worker thread with a callback that has to run on the event loop.
    """

    def __init__(self, deliver: Callable[[Callable[[], None]], object]) -> None:
        self._deliver = deliver
        self._lanes: dict[str, _Lane] = {}
        self._lock = threading.Lock()
        self._promised: dict[str, asyncio.Future[Any]] = {}
        self._under_way = 0
        self._stopped = False

    @property
    def is_busy(self) -> bool:
        """Whether any call waits, runs or has an answer that is not delivered yet."""
        with self._lock:
            return self._under_way > 0

    def is_waiting(self, lane: str) -> bool:
        """Whether a lane has a call that waits or runs."""
        with self._lock:
            found = self._lanes.get(lane)
            return found is not None and (found.running is not None or bool(found.waiting))

    def is_newest(self, lane: str, number: int) -> bool:
        """Whether nothing newer than a request was asked for in its lane, and nothing made it void."""
        with self._lock:
            found = self._lanes.get(lane)
            return not self._stopped and found is not None and found.newest == number

    def ask(
        self,
        lane: str,
        call: Callable[[], T],
        *,
        done: Callable[[T], None],
        failed: Callable[[Exception], None],
        interrupt: Callable[[], None] | None = None,
        must_run: bool = False,
    ) -> int:
        """Run `call` on the lane's thread and hand its answer to `done` on the event loop.

        A newer request of the same lane takes the place of one that still waits, interrupts one that runs (where it can
        be) and makes its answer void: neither `done` nor `failed` is called for it.

        Args:
            lane: Requests of one lane run one after the other.
            call: What to run; must not touch the screen.
            done: Takes the answer.
            failed: Takes what `call` raised.
            interrupt: Ends `call` early, from any thread.
            must_run: For changes: never dropped, never void.

        Returns:
            The request's number, growing within its lane.
        """
        with self._lock:
            if self._stopped:
                return 0
            track = self._lanes.setdefault(lane, _Lane())
            stale = None
            if not must_run:
                stale = self._supersede(track)
            track.newest += 1
            track.waiting.append(_Request(track.newest, call, done, failed, interrupt, must_run))
            self._under_way += 1
            number = track.newest
            starts = not track.has_thread
            track.has_thread = True
        if stale is not None:
            stale()
        if starts:
            threading.Thread(target=self._work, args=(track,), name=f"joulebook-{lane}", daemon=True).start()
        return number

    async def answer(self, lane: str, call: Callable[[], T], otherwise: T) -> T:
        """Wait on the event loop for a call's answer.

        Args:
            lane: Its lane; a newer request there makes this one give `otherwise`.
            call: What to run; must not touch the screen.
            otherwise: What to give where the call failed or was superseded.
        """
        loop = asyncio.get_running_loop()
        future: asyncio.Future[T] = loop.create_future()
        before, self._promised[lane] = self._promised.get(lane), future
        if before is not None and not before.done():
            before.set_result(otherwise)

        def settle(value: T) -> None:
            if not future.done():
                future.set_result(value)

        self.ask(lane, call, done=settle, failed=lambda _error: settle(otherwise))
        return await future

    def drop(self, lane: str) -> None:
        """Make a lane's requests void: what waits is dropped, what runs is interrupted and its answer ignored."""
        with self._lock:
            track = self._lanes.get(lane)
            if track is None:
                return
            stale = self._supersede(track)
            track.newest += 1
        if stale is not None:
            stale()

    def stop(self) -> None:
        """Drop everything, interrupt what runs, deliver nothing more. Waits for nothing."""
        with self._lock:
            self._stopped = True
            running = [lane.running for lane in self._lanes.values() if lane.running is not None]
            for lane in self._lanes.values():
                lane.waiting.clear()
        for request in running:
            if request.interrupt is not None:
                request.interrupt()

    def _supersede(self, track: _Lane) -> Callable[[], None] | None:
        """Drop what waits and may be dropped; give what interrupts the running call."""
        kept = [request for request in track.waiting if request.must_run]
        self._under_way -= len(track.waiting) - len(kept)
        track.waiting = deque(kept)
        running = track.running
        return running.interrupt if running is not None and not running.must_run else None

    def _next(self, track: _Lane) -> _Request[Any] | None:
        with self._lock:
            if self._stopped or not track.waiting:
                track.running, track.has_thread = None, False
                return None
            track.running = track.waiting.popleft()
            return track.running

    def _work(self, track: _Lane) -> None:
        while (request := self._next(track)) is not None:
            try:
                answer = request.call()
            except Exception as error:  # noqa: BLE001 (whatever a call raises belongs on the screen, not in a dead thread)
                _log.debug("a call failed", exc_info=True)
                self._hand_over(track, request, request.failed, error)
            else:
                self._hand_over(track, request, request.done, answer)

    def _hand_over(self, track: _Lane, request: _Request[Any], take: Callable[[Any], None], answer: Any) -> None:
        def deliver() -> None:
            with self._lock:
                self._under_way -= 1
                is_void = self._stopped or not (request.must_run or request.number == track.newest)
            if not is_void:
                take(answer)

        if self._stopped:
            return
        try:
            self._deliver(deliver)
        except RuntimeError:  # the event loop has ended meanwhile
            _log.debug("an answer came after the end", exc_info=True)
