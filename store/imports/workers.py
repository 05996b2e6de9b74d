"""Many files into one library: on all cores where it pays, and stopped cleanly by Ctrl-C.

Knows processes and the importer; prints nothing. Every file is all or nothing, so stopping loses none that is finished.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path

from store.core import Store
from store.imports.batch import Together
from store.imports.importer import FileOutcome, Order, import_file
from store.opening import open_store
from store.processes import cores as cores_here
from store.processes import finished, helpers, is_main_thread

__all__ = ["WORTH_BYTES", "WORTH_FILES", "Stopped", "import_files", "workers_for"]

WORTH_FILES = 100
"""Files from which on more processes pay: a process takes about 0.7 s to start, a small file 0.01 s to import."""

SHARE = 96
"""Most files that a process takes at a time, and with them one transaction: about a second's work."""

AHEAD = 2
"""Shares that wait for each other process, so that none is idle while this one is busy with its own."""

WORTH_BYTES = 60_000_000
"""Bytes from which on they pay with two files or more."""

Progress = Callable[[int, int], None]


class Stopped(KeyboardInterrupt):
    """Ctrl-C: what was finished is imported, the rest is in `outcomes` as `not read`."""

    def __init__(self, outcomes: Sequence[FileOutcome]) -> None:
        super().__init__()
        self.outcomes = tuple(outcomes)


def workers_for(files: Sequence[Path], cores: int | None = None) -> int:
    """How many processes reading these files is worth; 1 is this process alone."""
    cores = cores or cores_here()
    total = sum(_size(file) for file in files)
    if cores < 2 or len(files) < 2 or (len(files) < WORTH_FILES and total < WORTH_BYTES):
        return 1
    return min(cores, len(files))


def _size(file: Path) -> int:
    try:
        return file.stat().st_size
    except OSError:
        return 0


def import_files(
    library: Store, files: Sequence[Path], order: Order, progress: Progress, *, workers: int | None = None
) -> list[FileOutcome]:
    """Import files one by one or side by side; a refused one does not end the rest.

    Args:
        library: Where their runs go.
        files: The exports.
        order: Facts, profile and answers that hold for all.
        progress: Called with (done, total) bytes.
        workers: Processes; None decides by what pays.

    Returns:
        An outcome per file, in the order of `files`.

    Raises:
        Stopped: on Ctrl-C, with the outcomes of all files.
    """
    task = _Task(library, files, order, [_size(file) for file in files], progress)
    count = workers if workers is not None else workers_for(files)
    try:
        if count > 1 and not order.is_dry:
            _side_by_side(task, count)
        else:
            _one_by_one(task)
    except KeyboardInterrupt as stop:
        raise Stopped(task.outcomes()) from stop
    return task.outcomes()


@dataclass(frozen=True, slots=True)
class _Task:
    """What the two ways of importing many files share."""

    library: Store
    files: Sequence[Path]
    order: Order
    sizes: Sequence[int]
    progress: Progress
    done: dict[int, FileOutcome] = field(default_factory=dict)

    def outcomes(self) -> list[FileOutcome]:
        left = "stopped before it was read; the same command again imports it"
        missing = [FileOutcome(str(file), "not read", reason=left) for file in self.files]
        return [self.done.get(index, outcome) for index, outcome in enumerate(missing)]


def _one_by_one(task: _Task) -> None:
    total, before = sum(task.sizes), 0
    places = {file: index for index, file in enumerate(task.files)}

    def told(file: Path, outcome: FileOutcome) -> None:
        task.done[places[file]] = outcome

    is_one = len(task.files) == 1 or task.order.is_dry
    with nullcontext() if is_one else Together(task.library, task.order, told) as together:
        for file, size in zip(task.files, task.sizes, strict=True):

            def within(read: int, of: int, start: int = before, size: int = size) -> None:
                task.progress(start + (round(size * read / of) if of else 0), total)

            if together is None:
                told(file, import_file(task.library, file, task.order, within))
            else:
                together.take(file, within)
            before += size
            task.progress(before, total)


def _side_by_side(task: _Task, workers: int) -> None:
    """Shares of the files to other processes, and to this one too: it has loaded everything already.

    Not where a thread of an interface asks: its screens would stand still meanwhile.
    """
    shares = deque(_shares(len(task.files), workers))
    waiting: dict[Future[list[FileOutcome]], range] = {}
    takes_part = is_main_thread()
    others = workers - takes_part
    with helpers(others, _begin_worker, str(task.library.path), task.order) as pool:
        try:
            _hand_out(pool, task, shares, waiting, most=others)  # a process starts with its first share
            while shares or waiting:
                if shares and takes_part:
                    _own_share(task, shares.popleft())
                _collect(waiting, task.done, is_idle=not (shares and takes_part))
                _hand_out(pool, task, shares, waiting, most=AHEAD * others)
                task.progress(sum(task.sizes[index] for index in task.done), sum(task.sizes))
        except KeyboardInterrupt:
            pool.shutdown(wait=True, cancel_futures=True)  # shares under way are finished: seconds at most
            _collect({future: share for future, share in waiting.items() if not future.cancelled()}, task.done)
            raise


def _hand_out(
    pool: ProcessPoolExecutor,
    task: _Task,
    shares: deque[range],
    waiting: dict[Future[list[FileOutcome]], range],
    *,
    most: int,
) -> None:
    while shares and len(waiting) < most:
        share = shares.popleft()
        waiting[pool.submit(_work, [str(task.files[index]) for index in share])] = share


def _own_share(task: _Task, share: range) -> None:
    """A share of this process; what was read in full is stored, also after Ctrl-C."""
    places = {task.files[index]: index for index in share}

    def told(file: Path, outcome: FileOutcome) -> None:
        task.done[places[file]] = outcome

    before, total = sum(task.sizes[index] for index in task.done), sum(task.sizes)
    with Together(task.library, task.order, told, reserve=len(share)) as together:
        for index in share:
            together.take(task.files[index])
            before += task.sizes[index]
            task.progress(before, total)


def _shares(files: int, workers: int) -> list[range]:
    """Files in shares small enough that all processes end together and Ctrl-C is obeyed soon."""
    size = max(min(SHARE, files // (4 * workers)), 1)
    return [range(start, min(start + size, files)) for start in range(0, files, size)]


def _collect(
    waiting: dict[Future[list[FileOutcome]], range], done: dict[int, FileOutcome], *, is_idle: bool = True
) -> None:
    """Move what is finished from `waiting` to `done`."""
    for share, outcomes in finished(waiting, is_idle=is_idle):
        done.update(zip(share, outcomes, strict=True))


_place: list[tuple[Store, Order]] = []
# A worker process's own library and order, set once when it starts: the pool has no other place for them.


def _begin_worker(path: str, order: Order) -> None:
    _place[:] = [(open_store(Store, path), order)]


def _work(files: list[str]) -> list[FileOutcome]:
    library, order = _place[0]
    outcomes: dict[str, FileOutcome] = {}
    kept = Together(library, order, lambda file, outcome: outcomes.update({str(file): outcome}), reserve=len(files))
    with kept as together:
        for file in files:
            together.take(Path(file))
    return [outcomes[file] for file in files]
