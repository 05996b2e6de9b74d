"""What reading an export costs beside bare Polars on the same file in the same run: ratios, no wall-clock limits.

Run with `-n 0 -m bench -s`. JOULEBOOK_BENCH_ROWS sets the rows of the large file.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from importers import inspect, read
from importers.schema import RunStart

pytestmark = pytest.mark.bench
ROWS = int(os.environ.get("JOULEBOOK_BENCH_ROWS", "3_000_000"))


class _Parquet:
    """A sink that writes row groups as a library does: zstd, bounded memory."""

    def __init__(self, path: Path) -> None:
        self.path, self.writer, self.rows = path, None, 0

    def open_run(self, start: RunStart) -> _Parquet:
        return self

    def write(self, samples: pl.DataFrame) -> None:
        import pyarrow.parquet as pq

        table = samples.to_arrow()
        if self.writer is None:
            self.writer = pq.ParquetWriter(self.path, table.schema, compression="zstd", compression_level=3)
        self.writer.write_table(table, row_group_size=122_880)
        self.rows += samples.height

    def close(self) -> None:
        if self.writer is not None:
            self.writer.close()


def _export(path: Path, rows: int) -> None:
    t = np.arange(rows)
    pl.DataFrame(
        {
            "Time (s)": t,
            "Voltage (V)": (5 + 0.1 * np.sin(t / 50)).round(4),
            "Current (A)": (1 + 0.1 * np.cos(t / 70)).round(4),
            "Temperature (°C)": (22 + t % 100 / 10).round(1),
        }
    ).write_csv(path)


def _ours(path: Path, out: Path) -> int:
    sink = _Parquet(out)
    read(path, inspect(path), sink)
    sink.close()
    return sink.rows


def test_large_file_beside_polars(tmp_path):
    """Best of three: inspect, read and write Parquet against scan_csv -> sink_parquet."""
    path = tmp_path / "large.csv"
    _export(path, ROWS)
    ours, theirs = [], []
    for _ in range(3):
        start = time.perf_counter()
        pl.scan_csv(path).sink_parquet(tmp_path / "theirs.parquet", compression="zstd", compression_level=3)
        theirs.append(time.perf_counter() - start)
        start = time.perf_counter()
        assert _ours(path, tmp_path / "ours.parquet") == ROWS
        ours.append(time.perf_counter() - start)
    print(f"\n{ROWS:,} rows: {min(ours):.2f} s, Polars {min(theirs):.2f} s, ratio {min(ours) / min(theirs):.2f}")


def test_small_files(tmp_path):
    """Files of 2,000 rows, one after the other on one core's worth of Python."""
    path = tmp_path / "small.csv"
    _export(path, 2000)
    _ours(path, tmp_path / "o.parquet")
    start = time.perf_counter()
    for _ in range(40):
        _ours(path, tmp_path / "o.parquet")
    print(f"\n2,000 rows: {40 / (time.perf_counter() - start):.0f} files a second")


def test_memory_does_not_grow_with_the_file(tmp_path):
    """Peak resident memory of a process that reads ROWS / 10 and ROWS rows."""
    pytest.importorskip("resource")
    peaks = []
    for rows in (ROWS // 10, ROWS):
        path = tmp_path / f"{rows}.csv"
        _export(path, rows)
        code = (
            "import resource, sys, importers\n"
            "class S:\n"
            "    def open_run(self, s): return self\n"
            "    def write(self, f): pass\n"
            "importers.read(sys.argv[1], importers.inspect(sys.argv[1]), S())\n"
            "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
        )
        root = str(Path(__file__).parents[2])
        done = subprocess.run(
            [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True, cwd=root
        )
        peaks.append(int(done.stdout) / 1024)
    print(f"\npeak memory: {peaks[0]:.0f} MB at {ROWS // 10:,} rows, {peaks[1]:.0f} MB at {ROWS:,}")
    assert peaks[1] < 600
