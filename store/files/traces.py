"""Traces as Parquet: written once, sorted, hashed, with the run in the footer; read by row range.

Every file has the same columns in the same order (`TRACE_COLUMNS`). Knows Parquet and words; no catalogue.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from importers.schema import CHANNEL_NAMES, CHANNELS, TRACE_COLUMNS
from store.errors import TraceDamaged
from store.files import durable
from store.files.run_samples import row_groups
from store.model.results import Array

__all__ = [
    "FOOTER_KEY",
    "GROUP_ROWS",
    "MEMORY_SAMPLES",
    "ParquetTrace",
    "TraceWriter",
    "WrittenTrace",
    "arrow_schema",
    "footer_of",
    "moved_table",
    "read_footer",
    "read_samples",
]

FOOTER_KEY = "joulebook"
GROUP_ROWS = 122_880
"""Rows of a row group: whole runs up to this many (measured: groups of 2,000 rows scan 1.8 times slower)."""
_DICTIONARY_BYTES = 128 << 10
"""Largest dictionary of a column [bytes], 16,384 values: beyond, values hardly repeat and it costs more than it spares.

Measured with the level on 20 million samples: a fifth less room, 30 % less time to scan.
"""
_LEVEL = 2
"""Of Zstandard: level 3 takes 5 % less room and a fifth more time to scan."""
PLAIN_FOOTER = 1 << 20
"""A footer up to this size [bytes] is plain JSON."""
_BUFFER = 1 << 20
"""Bytes that are written at a time: a small trace is some 160 pieces, each a call."""
MEMORY_SAMPLES = 2_000_000
"""Runs up to this many samples are reduced in one piece (400 MB at 24 channels is the most it can take)."""


@lru_cache(maxsize=1)
def arrow_schema() -> pa.Schema:
    """Arrow schema of every trace file."""
    return pa.schema([pa.field(n, pa.int64() if n == "run_id" else pa.float64()) for n in TRACE_COLUMNS])


def footer_fields() -> list[dict[str, str]]:
    """Descriptions of the columns for the footer: name, type, unit, ucum, description."""
    fixed = [
        {"name": "run_id", "type": "INT64", "unit": "1", "ucum": "1", "description": "number of the run"},
        {"name": "t_s", "type": "DOUBLE", "unit": "s", "ucum": "s", "description": "time from the run's first sample"},
    ]
    return fixed + [
        {"name": c.name, "type": "DOUBLE", "unit": c.unit, "ucum": c.ucum, "description": c.label} for c in CHANNELS
    ]


@lru_cache(maxsize=1)
def _fields_text() -> str:
    return json.dumps(footer_fields(), ensure_ascii=False)


def _footer_text(runs: Sequence[Mapping[str, Any]]) -> str:
    """The footer as JSON; the runs of a large pack as compressed JSON in it.

    Every reader of the file reads the whole footer: 5,000 runs in plain JSON, 11 MB, make one run's read three times as
    long; compressed they take a hundredth.
    """
    plain = f'{{"format": 1, "runs": {json.dumps(list(runs), ensure_ascii=False)}, "fields": {_fields_text()}}}'
    if len(plain) <= PLAIN_FOOTER:
        return plain
    sink = pa.BufferOutputStream()
    with pa.CompressedOutputStream(sink, "zstd") as stream:
        stream.write(json.dumps(list(runs), ensure_ascii=False).encode())
    packed = base64.b64encode(sink.getvalue().to_pybytes()).decode()
    return json.dumps({"format": 1, "runs_zstd_base64": packed, "fields": footer_fields()}, ensure_ascii=False)


_DECIMALS = 9
"""Times are told to a nanosecond at most."""


@dataclass(frozen=True, slots=True)
class WrittenTrace:
    """A finished trace file under its temporary name."""

    path: Path
    sha256: str
    size: int
    samples: int


class TraceWriter:
    """Writes one trace file; `finish` flushes it to disk, anything else leaves nothing behind.

    Full row groups are encoded by a thread of their own, one at a time, while the next is read.
    """

    def __init__(self, path: Path) -> None:
        self._file = durable.HashingFile(path)
        self._sink = durable.Sink(self._file)
        self._buffer = pa.BufferedOutputStream(pa.PythonFile(self._sink, mode="w"), _BUFFER)
        self.samples = 0
        self._beside: ThreadPoolExecutor | None = None
        self._encoding: Future[None] | None = None
        self._pending: list[pa.Table] = []
        self._pending_rows = 0
        self._writer: pq.ParquetWriter | None = None

    def write(self, table: pa.Table, *, whole: bool = False) -> None:
        """Append samples in order.

        Args:
            table: Columns of `TRACE_COLUMNS`.
            whole: True where the table is one whole run that is to lie in one row group if it fits.
        """
        if whole and self._pending_rows and self._pending_rows + table.num_rows > GROUP_ROWS:
            self._flush(self._pending_rows)
        self._pending.append(table)
        self._pending_rows += table.num_rows
        self.samples += table.num_rows
        while self._pending_rows >= GROUP_ROWS:
            self._flush(GROUP_ROWS)

    def _flush(self, count: int) -> None:
        table = pa.concat_tables(self._pending)
        self._wait()
        if count < GROUP_ROWS:
            self._encode(table.slice(0, count))
        else:
            self._beside = self._beside or ThreadPoolExecutor(1, thread_name_prefix="trace")
            self._encoding = self._beside.submit(self._encode, table.slice(0, count))
        rest = table.slice(count)
        self._pending = [rest] if rest.num_rows else []
        self._pending_rows = rest.num_rows

    def _encode(self, table: pa.Table) -> None:
        if self._writer is None:
            self._writer = self._begin(TRACE_COLUMNS)
        self._writer.write_table(table, row_group_size=GROUP_ROWS)

    def _begin(self, held: Sequence[str]) -> pq.ParquetWriter:
        """The writer of the file, for columns of which only those of `held` may hold values.

        The clock never repeats a value, so a dictionary would only cost, and split into its bytes it packs to a third;
        meters' readings repeat a lot. What holds nothing needs neither: two fifths of a small file's time.
        """
        return pq.ParquetWriter(
            self._buffer,
            arrow_schema(),
            compression={name: "zstd" if name in held else "none" for name in TRACE_COLUMNS},
            compression_level=dict.fromkeys(held, _LEVEL),
            dictionary_pagesize_limit=_DICTIONARY_BYTES,
            use_dictionary=[name for name in held if name != "t_s"],
            column_encoding={"t_s": "BYTE_STREAM_SPLIT"},
            max_rows_per_page=GROUP_ROWS,  # a page of each column: pages of 20,000 rows scan a tenth slower
            write_batch_size=GROUP_ROWS,
            write_page_index=True,
            write_page_checksum=True,
            sorting_columns=[pq.SortingColumn(0), pq.SortingColumn(1)],
        )

    def _wait(self) -> None:
        """Let the row group that is being encoded get done; raises what went wrong with it."""
        encoding, self._encoding = self._encoding, None
        if encoding is not None:
            encoding.result()

    def _end_beside(self) -> None:
        if self._beside is not None:
            self._beside.shutdown()
            self._beside = None

    def finish(self, runs: Sequence[Mapping[str, Any]]) -> WrittenTrace:
        """Write the footer, flush to disk and close.

        Args:
            runs: The footer's entry for each run, in order of rows.
        """
        self._wait()
        self._end_beside()
        last = pa.concat_tables(self._pending) if self._pending else None
        self._pending, self._pending_rows = [], 0
        if self._writer is None:  # one row group: what it holds is known
            self._writer = self._begin(("run_id", "t_s", *(present_channels(last) if last is not None else ())))
        if last is not None:
            self._encode(last)
        self._writer.add_key_value_metadata({FOOTER_KEY: _footer_text(runs)})
        self._writer.close()
        self._buffer.flush()
        self._sink.is_over = True
        self._file.commit()
        return WrittenTrace(self._file.path, self._file.sha256, self._file.size, self.samples)

    def abandon(self) -> None:
        """Close and remove what was written."""
        self._end_beside()
        self._sink.is_over = True
        if self._writer is not None and self._writer.is_open:
            with suppress(OSError, ValueError, pa.ArrowException):  # it may have refused already; the file goes anyway
                self._writer.close()
        self._file.close()


def to_table(run_id: int, frame: pl.DataFrame) -> pa.Table:
    """A frame of `t_s` and channels as a trace table of one run; channels that it lacks, and NaN, as NULL."""
    count = frame.height
    columns = [pa.repeat(pa.scalar(run_id, pa.int64()), count)]
    for name in TRACE_COLUMNS[1:]:
        if name in frame.columns:
            values = frame[name].cast(pl.Float64)
            columns.append((values.fill_nan(None) if np.isnan(values.to_numpy()).any() else values).to_arrow())
        else:
            columns.append(_nulls(count))
    return pa.Table.from_arrays(columns, schema=arrow_schema())


def _nulls(count: int) -> pa.Array:
    """NULLs; one buffer serves all."""
    return _many_nulls(max(1 << (count - 1).bit_length(), 4096) if count else 4096).slice(0, count)


@lru_cache(maxsize=4)
def _many_nulls(count: int) -> pa.Array:
    return pa.nulls(count, pa.float64())


def moved_table(table: pa.Table, run_id: int, add_s: float) -> pa.Table:
    """Samples under another number, on a clock that reads `add_s` more [s].

    What adding an offset and subtracting it again leaves beyond a nanosecond is rounding, and is taken away.
    """
    moved = table.set_column(0, table.schema.field("run_id"), pa.repeat(pa.scalar(run_id, pa.int64()), table.num_rows))
    if not add_s:
        return moved
    t_s = table.column("t_s").to_numpy() + add_s
    if add_s < 0:
        tidy = np.round(t_s, _DECIMALS)
        t_s = np.where(np.abs(tidy - t_s) < 10.0**-_DECIMALS / 4, tidy, t_s)
    return moved.set_column(1, table.schema.field("t_s"), pa.array(t_s))


def present_channels(table: pa.Table) -> tuple[str, ...]:
    """Channels that hold at least one value."""
    return tuple(name for name in CHANNEL_NAMES if table.column(name).null_count < table.num_rows)


def read_footer(path: Path) -> dict[str, Any]:
    """The `joulebook` entry of a trace's footer.

    Raises:
        TraceDamaged: No Parquet, or no such entry.
    """
    try:
        with path.open("rb") as file:
            return footer_of(file, str(path))
    except OSError as error:
        raise TraceDamaged(f"{path} is not a Joulebook trace: {error}.") from error


def footer_of(file: Any, name: str) -> dict[str, Any]:
    """The `joulebook` entry of the footer of a trace that is open, as a file or elsewhere.

    Args:
        file: What Arrow reads.
        name: What people call it.

    Raises:
        TraceDamaged: No Parquet, or no such entry.
    """
    try:
        metadata = pq.read_metadata(file).metadata or {}
        footer: dict[str, Any] = json.loads(metadata[FOOTER_KEY.encode()])
        if "runs_zstd_base64" in footer:
            packed = pa.BufferReader(base64.b64decode(footer.pop("runs_zstd_base64"), validate=True))
            with pa.CompressedInputStream(packed, "zstd") as stream:
                footer["runs"] = json.loads(stream.read())
    except (pa.ArrowException, OSError, KeyError, ValueError) as error:
        raise TraceDamaged(f"{name} is no trace of Joulebook: {error}.") from error
    if footer.get("format") != 1:
        raise TraceDamaged(f"{name} has trace format {footer.get('format')}; this program reads format 1.")
    return footer


def read_samples(path: Path, first_row: int, count: int, columns: Sequence[str]) -> Iterator[pa.Table]:
    """A run's samples by its rows in the file, row group by row group.

    Args:
        path: The trace file.
        first_row: The run's first row in the file.
        count: Its samples.
        columns: Columns wanted, in order.
    """
    with path.open("rb") as source, pq.ParquetFile(source, page_checksum_verification=True) as file:
        for number, begin, held in row_groups(file.metadata, range(first_row, first_row + count)):
            yield file.read_row_group(number, columns=list(columns), use_threads=False).slice(begin, held)


def to_arrays(table: pa.Table) -> dict[str, Array]:
    """Columns as float64 arrays, NULL as NaN."""
    return {
        name: np.asarray(table.column(name).to_numpy(zero_copy_only=False), dtype=np.float64)
        for name in table.column_names
    }


@dataclass(frozen=True, slots=True)
class ParquetTrace:
    """A run's trace in a file, read in bounded pieces: what a reduction takes."""

    path: Path
    first_row: int
    samples: int
    channels: tuple[str, ...]

    def chunks(self, channels: tuple[str, ...]) -> Iterator[Mapping[str, Array]]:
        """Yield `t_s` and the channels asked for; one piece up to `MEMORY_SAMPLES`, row groups beyond."""
        pieces = read_samples(self.path, self.first_row, self.samples, ("t_s", *channels))
        if self.samples <= MEMORY_SAMPLES:
            yield to_arrays(pa.concat_tables(list(pieces)))
        else:
            for piece in pieces:
                yield to_arrays(piece)
