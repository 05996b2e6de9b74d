"""From a trace on disk to results in the catalogue: context, previews, statistics of time.

Adapts Parquet traces to what `store.methods` takes. Does no arithmetic of its own beyond time and buckets.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from store.catalogue.run_records import RunRecord
from store.devices.bench import Bench
from store.methods import reduce_run
from store.model.records import StripSet
from store.model.results import Array, Trace
from store.signal.statistics import median
from store.signal.strips import PREVIEW_BUCKETS, BandBuilder

__all__ = ["direction_of", "reduce_record", "time_facts"]

_KIND_DIRECTIONS = {"recharge": "in"}


def direction_of(stated: str | None, kind: str | None) -> str | None:
    """Which way energy flows: as the file says, else as the kind of test has it."""
    if stated or kind is None:
        return stated
    return _KIND_DIRECTIONS.get(kind, "out")


def time_facts(pieces: Iterator[Mapping[str, Array]]) -> tuple[float, float | None]:
    """Duration [s] and median interval [s] of consecutive pieces of `t_s`.

    The median of a run in several pieces is the median of the pieces' medians: it is only a label for the list.
    """
    last, medians = 0.0, []
    for piece in pieces:
        t_s = piece["t_s"]
        if len(t_s):
            last = float(t_s[-1])
        if len(t_s) > 1:
            medians.append(median(np.diff(t_s)))
    return last, median(np.array(medians)) if medians else None


class _Watched:
    """A trace whose first pass over a channel fills the preview's buckets too: a long trace is read once less."""

    def __init__(self, trace: Trace, duration_s: float) -> None:
        self.samples = trace.samples
        self.channels = tuple(trace.channels)
        self._trace = trace
        self._bands = BandBuilder(0.0, duration_s, PREVIEW_BUCKETS)
        self._seen: set[str] = set()

    def chunks(self, channels: tuple[str, ...]) -> Iterator[Mapping[str, Array]]:
        """Yield the pieces of the trace."""
        fresh = tuple(n for n in channels if n in self.channels and n not in self._seen)
        rows = 0
        bands = BandBuilder(self._bands.from_s, self._bands.to_s, PREVIEW_BUCKETS)
        for piece in self._trace.chunks(channels):
            bands.add(piece, fresh)
            rows += len(piece["t_s"])
            if rows >= self.samples and fresh:
                self._bands.take(bands)
                self._seen.update(fresh)
            yield piece

    def preview(self) -> StripSet:
        """The 120-bucket strips that are stored with a run."""
        left = tuple(n for n in self.channels if n not in self._seen)
        if left:
            for _ in self.chunks(left):
                pass
        return self._bands.finish()


def reduce_record(record: RunRecord, trace: Trace, bench: Bench, *, is_timed: bool = False) -> RunRecord:
    """The run with its duration, interval, preview, results and events.

    Args:
        record: A run that is not stored yet.
        trace: Its samples.
        bench: Devices and meters as the library knows them.
        is_timed: True where the record holds duration and interval already: a long trace is read once less.
    """
    duration_s, interval_s = record.duration_s, record.interval_s
    if not is_timed:
        duration_s, interval_s = time_facts(trace.chunks(()))
    watched = _Watched(trace, duration_s)
    reduction = reduce_run(watched, bench.context(record.facts), record.events)
    return replace(
        record,
        duration_s=duration_s,
        interval_s=interval_s,
        channels=tuple(trace.channels),
        preview=watched.preview(),
        reduction=reduction,
    )
