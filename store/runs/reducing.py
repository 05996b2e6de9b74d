"""Many runs reduced again, portion by portion: on all cores where that pays, and stopped cleanly by Ctrl-C.

Knows how runs are read and reduced, and processes; stores nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from store.care.packs import reduce_pack
from store.catalogue.run_records import RunRecord
from store.core import Store
from store.devices.bench import load_bench
from store.errors import TraceDamaged
from store.opening import open_store
from store.processes import cores, finished, helpers, is_main_thread

if TYPE_CHECKING:
    from store.devices.bench import Bench

__all__ = ["PORTION", "Portion", "portions_again", "reduce_again", "workers_for"]

PORTION = 256
"""Runs per transaction: chosen by us so that one commits in well under a second."""

WORTH_RUNS = 400
"""Runs from which on another process pays: it takes about 0.7 s to start, a short run 0.003 s to reduce."""

WORTH_SAMPLES = 30_000_000
"""Samples from which on it does, with as few as eight runs."""

AHEAD = 2


@dataclass(frozen=True, slots=True)
class Portion:
    """Some runs recomputed."""

    number: int
    """Its place among the portions, from 0."""
    records: Sequence[RunRecord]
    """As they were."""
    fresh: Sequence[RunRecord]
    """Those that could be read, recomputed."""
    failed: dict[int, str]
    """By run: why the others can't be."""


def workers_for(records: Sequence[RunRecord]) -> int:
    """How many processes reducing these runs is worth; 1 is this process alone."""
    samples = sum(record.samples for record in records)
    is_worth = len(records) >= WORTH_RUNS or (len(records) >= 8 and samples >= WORTH_SAMPLES)
    return cores() if is_worth and is_main_thread() else 1


def reduce_again(
    library: Store,
    records: Sequence[RunRecord],
    progress: Callable[[int, int], None] | None = None,
    *,
    bench: Bench | None = None,
) -> list[RunRecord]:
    """The records with results, events and previews recomputed from their traces, by the library's bench or another."""
    bench = bench or load_bench(library)
    done: list[RunRecord] = []
    for file, group in groupby(records, key=lambda record: record.provenance.trace_file):
        (path,) = library.checks.check([file])
        base = len(done)
        told = (lambda n, _, base=base: progress(base + n, len(records))) if progress else None
        done += reduce_pack(path, list(group), bench, told)
    return done


def portions_again(
    library: Store,
    records: Sequence[RunRecord],
    progress: Callable[[int, int], None] | None = None,
    *,
    workers: int | None = None,
) -> Iterator[Portion]:
    """Every run recomputed, as soon as its portion is done: not always in order.

    Args:
        library: The library.
        records: The runs, ordered by file and row.
        progress: Told how many runs of how many are done.
        workers: Processes; None decides by what pays.
    """
    workers = workers_for(records) if workers is None else workers
    size = PORTION if workers == 1 else min(PORTION, max(len(records) // (4 * workers), 1))
    parts = deque((n, records[start : start + size]) for n, start in enumerate(range(0, len(records), size)))
    told = _Told(progress, len(records))
    if workers == 1:
        for number, part in parts:
            yield Portion(number, part, *_reduce_what_can(library, part, told.within))
            told.done += len(part)
        return
    waiting: dict[Future[tuple[list[RunRecord], dict[int, str]]], tuple[int, Sequence[RunRecord]]] = {}
    with helpers(workers - 1, _begin_worker, str(library.path)) as pool:
        while parts or waiting:
            while parts and len(waiting) < AHEAD * (workers - 1):
                number, part = parts.popleft()
                waiting[pool.submit(_work, part)] = number, part
            if parts:
                number, part = parts.popleft()
                yield Portion(number, part, *_reduce_what_can(library, part, told.within))
                told.done += len(part)
            for (number, part), found in finished(waiting, is_idle=not parts):
                told.done += len(part)
                told.within(0)
                yield Portion(number, part, *found)


@dataclass(slots=True)
class _Told:
    """How far the whole is."""

    progress: Callable[[int, int], None] | None
    total: int
    done: int = 0

    def within(self, runs: int) -> None:
        if self.progress:
            self.progress(self.done + runs, self.total)


def _reduce_what_can(
    library: Store, records: Sequence[RunRecord], progress: Callable[[int], None] | None = None
) -> tuple[list[RunRecord], dict[int, str]]:
    """Runs recomputed, file by file; those of a file that can't be read, with the reason."""
    done: list[RunRecord] = []
    failed: dict[int, str] = {}
    bench = load_bench(library)
    for _, group in groupby(records, key=lambda record: record.provenance.trace_file):
        runs = list(group)
        try:
            done += reduce_again(library, runs, bench=bench)
        except (TraceDamaged, FileNotFoundError) as error:
            why = str(error) if isinstance(error, TraceDamaged) else f"{runs[0].provenance.trace_file} is missing."
            failed |= {record.facts.run_id: why for record in runs}
        if progress:
            progress(len(done) + len(failed))
    return done, failed


_place: list[Store] = []
# A helper process's own library, set once when it starts: the pool has no other place for it.


def _begin_worker(path: str) -> None:
    _place[:] = [open_store(Store, path)]


def _work(records: Sequence[RunRecord]) -> tuple[list[RunRecord], dict[int, str]]:
    return _reduce_what_can(_place[0], records)
