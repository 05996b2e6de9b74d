"""Strips: minimum, mean and maximum per equal time bucket, for small traces.

Buckets count seconds, never samples, so that a gap is seen as one and a dropout of one sample survives.
Knows arrays and SQL text; no catalogue.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import duckdb
import numpy as np
import pyarrow as pa

from importers.schema import CHANNELS
from store.model.records import Strip, StripSet
from store.model.results import Array

__all__ = ["PREVIEW_BUCKETS", "BandBuilder", "pack_bands", "strips_from_file", "unpack_bands"]

PREVIEW_BUCKETS = 120
_Numbers = np.ndarray[tuple[int], np.dtype[np.int64]]
_UNITS = {channel.name: channel.unit for channel in CHANNELS}


@dataclass(slots=True)
class _Band:
    lowest: Array
    highest: Array
    total: Array
    count: Array


@dataclass(slots=True)
class BandBuilder:
    """Collects bands from consecutive pieces of a run.

    Args of the class: span [s], buckets.
    """

    from_s: float
    to_s: float
    buckets: int = PREVIEW_BUCKETS
    _bands: dict[str, _Band] = field(default_factory=dict)

    def add(self, piece: Mapping[str, Array], channels: Iterable[str]) -> None:
        """Take a piece: `t_s` ascending [s] and the channels, NaN where absent."""
        if not len(piece["t_s"]):
            return
        which, starts = _bucket_starts(piece["t_s"], self.from_s, self.to_s, self.buckets)
        for name in channels:
            values = piece[name]
            absent = np.isnan(values)
            if not absent.any():
                self._take(name, which, starts, values)
            elif not absent.all():
                there = np.flatnonzero(~absent)
                begin = np.searchsorted(there, starts)
                filled = np.diff(begin, append=len(there)) > 0
                self._take(name, which[filled], begin[filled], values[there])

    def _take(self, name: str, which: _Numbers, starts: _Numbers, values: Array) -> None:
        """Take a channel's values, without absent ones: bucket `which[k]` begins at `starts[k]`."""
        band = self._bands.get(name)
        if band is None:
            n = self.buckets
            band = _Band(np.full(n, np.inf), np.full(n, -np.inf), np.zeros(n), np.zeros(n))
            self._bands[name] = band
        band.lowest[which] = np.minimum(band.lowest[which], np.minimum.reduceat(values, starts))
        band.highest[which] = np.maximum(band.highest[which], np.maximum.reduceat(values, starts))
        band.total[which] += np.add.reduceat(values, starts)
        band.count[which] += np.diff(starts, append=len(values))

    def take(self, other: BandBuilder) -> None:
        """Take over the bands of channels that this one has not."""
        self._bands.update(other._bands)

    def finish(self) -> StripSet:
        """The strips of every channel that had a value."""
        order = [c.name for c in CHANNELS if c.name in self._bands]
        return StripSet(self.from_s, self.to_s, self.buckets, tuple(self._strip(name) for name in order))

    def _strip(self, name: str) -> Strip:
        band = self._bands[name]
        empty = band.count == 0
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = band.total / band.count
        lowest, highest = np.where(empty, np.nan, band.lowest), np.where(empty, np.nan, band.highest)
        return Strip(name, _UNITS[name], lowest, np.clip(mean, lowest, highest), highest)


def _bucket_starts(t_s: Array, from_s: float, to_s: float, buckets: int) -> tuple[_Numbers, _Numbers]:
    """Buckets that hold a time, and where each begins among ascending times; found by halving, not sample by sample."""
    first, last = _bucket_of(t_s[[0, -1]], from_s, to_s, buckets)
    later = np.arange(first + 1, last + 1)
    starts = np.searchsorted(t_s, from_s + later * ((to_s - from_s) / buckets))
    starts -= (
        _bucket_of(t_s[np.maximum(starts - 1, 0)], from_s, to_s, buckets) >= later
    )  # rounding may put it one sample off
    starts += _bucket_of(t_s[np.minimum(starts, len(t_s) - 1)], from_s, to_s, buckets) < later
    which, starts = np.append(first, later), np.append(0, starts)
    filled = np.diff(starts, append=len(t_s)) > 0
    return which[filled], starts[filled]


def _bucket_of(t_s: Array, from_s: float, to_s: float, buckets: int) -> _Numbers:
    """Bucket number of each time; the end of the span belongs to the last bucket."""
    span = to_s - from_s
    if span <= 0:
        return np.zeros(len(t_s), dtype=np.int64)
    return np.clip(np.floor((t_s - from_s) * (buckets / span)), 0, buckets - 1).astype(np.int64)


def pack_bands(strips: StripSet) -> bytes:
    """Bands as compressed little-endian float32: channels x (lowest, mean, highest) x buckets."""
    stack = np.array([[s.lowest, s.mean, s.highest] for s in strips.strips], dtype="<f4")
    return bytes(pa.compress(stack.tobytes(), codec="zstd", asbytes=True))


def unpack_bands(bands: bytes, channels: Sequence[str], from_s: float, to_s: float, buckets: int) -> StripSet:
    """The inverse of `pack_bands`."""
    size = len(channels) * 3 * buckets * 4
    raw = pa.decompress(bands, decompressed_size=size, codec="zstd", asbytes=True) if size else b""
    stack = np.frombuffer(raw, dtype="<f4").astype(np.float64).reshape(len(channels), 3, buckets)
    strips = (Strip(name, _UNITS[name], *stack[i]) for i, name in enumerate(channels))
    return StripSet(from_s, to_s, buckets, tuple(strips))


def strips_sql(channels: Sequence[str]) -> str:
    """SQL for bands of the channels. Values: from_s, scale [1/s], last bucket, file, run_id, from_s, to_s."""
    bands = ", ".join(f'min("{name}"), avg("{name}"), max("{name}")' for name in channels)
    return (
        f"SELECT least(CAST(floor((t_s - ?) * ?) AS INTEGER), ?) AS bucket, {bands} "
        "FROM read_parquet(?) WHERE run_id = ? AND t_s BETWEEN ? AND ? GROUP BY bucket"
    )


def strips_from_file(
    cursor: duckdb.DuckDBPyConnection,
    file: str,
    run_id: int,
    channels: Sequence[str],
    *,
    span: tuple[float, float],
    buckets: int,
) -> StripSet:
    """Strips of one run by one scan of its rows.

    Args:
        cursor: Of any DuckDB instance.
        file: The trace file.
        run_id: The run.
        channels: Channels wanted.
        span: From and to [s].
        buckets: How many.
    """
    from_s, to_s = span
    scale = buckets / (to_s - from_s) if to_s > from_s else 0.0
    values = [from_s, scale, buckets - 1, file, run_id, from_s, to_s]
    found = cursor.execute(strips_sql(channels), values).fetchnumpy()
    columns = [np.ma.filled(np.ma.asarray(column, dtype=np.float64), np.nan) for column in found.values()]
    where = columns[0].astype(np.int64)
    spread = np.full((len(channels) * 3, buckets), np.nan)
    for row, column in zip(spread, columns[1:], strict=True):
        row[where] = column
    strips = (Strip(name, _UNITS[name], *spread[3 * i : 3 * i + 3]) for i, name in enumerate(channels))
    return StripSet(from_s, to_s, buckets, tuple(strips))
