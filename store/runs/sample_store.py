"""Samples of runs, read from their traces: an engine of their own makes strips, to which no catalogue is attached."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import duckdb
import pyarrow as pa

from store.catalogue.engine_errors import first_line
from store.core import Store
from store.errors import TraceDamaged, WrongFact
from store.model.records import StripSet
from store.runs import listing
from store.signal.strips import strips_from_file

if TYPE_CHECKING:
    import polars as pl

    from store.files.run_samples import RunReader

__all__ = ["SampleStore"]

T = TypeVar("T")


class _Engine:
    """The DuckDB that reads trace files; made when the first is read."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._engine: duckdb.DuckDBPyConnection | None = None

    @contextmanager
    def cursor(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """A cursor for one reading."""
        with self._lock:
            if self._engine is None:
                self._engine = duckdb.connect(":memory:")
                self._engine.execute("SET python_enable_replacements = false")
                self._engine.execute("SET parquet_metadata_cache = true")  # a pack's footer is read once, not per run
            cursor = self._engine.cursor()
        try:
            yield cursor
        finally:
            cursor.close()


class SampleStore:
    """The samples of one library's runs."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._engine = _Engine()

    @cached_property
    def _reader(self) -> RunReader:
        from store.files.run_samples import RunReader

        return RunReader()

    def read(
        self, run_id: int, channels: Sequence[str] | None = None, from_s: float | None = None, to_s: float | None = None
    ) -> pa.Table:
        """A run's samples: `t_s` [s] and the channels, NULL where the meter gave none.

        Raises:
            NotFound: No such run, or no such channel.
            TraceDamaged: The trace is missing or is not what was written.
        """

        def read() -> pa.Table:
            path, first_row, count, there, _ = self.place(run_id)
            columns = ["t_s", *listing.check_channels(channels, there)]
            low = from_s if from_s is not None else float("-inf")
            high = to_s if to_s is not None else float("inf")
            rows = range(first_row, first_row + count)
            return self._reader.read(path, run_id, rows, columns, (low, high))

        return self._again_if_moved(read)

    def lazy(self, run_id: int) -> pl.LazyFrame:
        """A run's samples as a Polars LazyFrame: `run_id`, `t_s` and every channel of the library."""
        import polars as pl

        path, first_row, count, _, _ = self._again_if_moved(lambda: self.place(run_id))
        return pl.scan_parquet(path, glob=False).slice(first_row, count)

    def strips(
        self,
        run_id: int,
        channels: Sequence[str] | None = None,
        from_s: float | None = None,
        to_s: float | None = None,
        buckets: int = 400,
    ) -> StripSet:
        """Minimum, mean and maximum per time bucket, from the trace.

        Args:
            run_id: The run.
            channels: Channels wanted; all that hold values where None.
            from_s: Begin of the span [s]; the first sample where None.
            to_s: End of the span [s]; the last sample where None.
            buckets: How many.
        """
        if buckets < 1:
            raise WrongFact("A strip needs one bucket or more.")

        def read() -> StripSet:
            path, _, _, there, duration_s = self.place(run_id)
            span = (from_s if from_s is not None else 0.0, to_s if to_s is not None else duration_s)
            with self._engine.cursor() as cursor:
                return strips_from_file(
                    cursor, str(path), run_id, listing.check_channels(channels, there), span=span, buckets=buckets
                )

        return self._again_if_moved(read)

    def preview(self, run_id: int) -> StripSet:
        """The 120-bucket strips that were stored at import; opens no trace."""
        with self._store.catalogue.reader() as cursor:
            return listing.load_preview(cursor, run_id)

    def place(self, run_id: int) -> tuple[Path, int, int, tuple[str, ...], float]:
        """Where a run's samples lie: file, first row, samples, channels, duration [s]; the file is held to its hash.

        Raises:
            TraceDamaged: It is not what was written.
            FileNotFoundError: It is gone: packed meanwhile, or lost.
        """
        with self._store.catalogue.reader() as cursor:
            file, first_row, samples, channels, duration_s = listing.trace_place(cursor, run_id)
        (path,) = self._store.checks.check([file])
        return path, first_row, samples, channels, duration_s

    def _again_if_moved(self, read: Callable[[], T]) -> T:
        """Read, and once more where the trace was packed between looking it up and opening it."""
        try:
            return read()
        except (duckdb.IOException, FileNotFoundError):
            pass
        try:
            return read()
        except FileNotFoundError as error:
            raise TraceDamaged(f"{error.filename} is missing. Run `joulebook verify`.") from error
        except duckdb.IOException as error:
            raise TraceDamaged(f"A trace can't be read: {first_line(error)}. Run `joulebook verify`.") from error
