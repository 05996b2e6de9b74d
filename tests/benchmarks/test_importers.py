"""What an import costs, all of it: inspection, conversion, checks, results, the original kept, the catalogue.

Large files beside bare Polars on the same file in the same run, small ones by the second, and memory: figures to read,
no wall-clock limits. Run with `-n 0 -m bench -s`; JOULEBOOK_BENCH_ROWS sets the rows of the large file,
JOULEBOOK_BENCH_FILES the number of small ones.
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

from store import Library
from store.imports.importer import Order, import_file
from store.imports.workers import import_files, workers_for

pytestmark = pytest.mark.bench
ROWS = int(os.environ.get("JOULEBOOK_BENCH_ROWS", "3_000_000"))
FILES = int(os.environ.get("JOULEBOOK_BENCH_FILES", "400"))
PIECE = 1_000_000
MOST_MB = 600.0


def _export(path: Path, rows: int, *, step_s: float = 0.01, seed: int = 7) -> None:
    """A discharge as a fast meter logs it: load steps, a drooping voltage, noise of a few digits, a warming case."""
    noise = np.random.default_rng(seed)
    with path.open("wb") as file:
        for first in range(0, rows, PIECE):
            n = min(PIECE, rows - first)
            t = np.arange(first, first + n) * step_s
            amps = 1.5 + 0.25 * (t // 3600 % 4) + noise.normal(0, 0.0015, n)
            volts = 9.0 * (1 - 0.01 * amps - 0.02 * t / (rows * step_s)) + noise.normal(0, 0.002, n)
            case = 22 + 15 * (1 - np.exp(-t / 20_000)) + noise.normal(0, 0.05, n)
            pl.DataFrame(
                {
                    "Time (s)": t.round(2),
                    "Voltage (V)": volts.round(4),
                    "Current (A)": amps.round(4),
                    "Temperature (°C)": case.round(1),
                }
            ).write_csv(file, include_header=first == 0)


def test_large_file_beside_polars(tmp_path):
    """Best of two: a whole import against scan_csv -> sink_parquet."""
    path = tmp_path / "large.csv"
    _export(path, ROWS)
    ours, theirs = [], []
    for number in range(2):
        start = time.perf_counter(), time.process_time()
        pl.scan_csv(path).sink_parquet(tmp_path / "theirs.parquet", compression="zstd", compression_level=3)
        theirs.append((time.perf_counter() - start[0], time.process_time() - start[1]))
        library = Library.create(tmp_path / str(number))
        start = time.perf_counter(), time.process_time()
        outcome = import_file(library, path, Order())
        ours.append((time.perf_counter() - start[0], time.process_time() - start[1]))
        assert [run["samples"] for run in outcome.runs] == [ROWS]
    wall, busy = (min(o[i] for o in ours) / min(t[i] for t in theirs) for i in (0, 1))
    print(
        f"\n{ROWS:,} rows: {min(ours)[0]:.2f} s, Polars {min(theirs)[0]:.2f} s, ratio {wall:.2f} (processor {busy:.2f})"
    )


def test_small_files(tmp_path):
    """Files of 2,000 rows into one library, on the cores that this is worth."""
    folder = tmp_path / "exports"
    folder.mkdir()
    for number in range(FILES):
        _export(folder / f"{number:05}.csv", 2000, step_s=1.0, seed=number)
    library = Library.create(tmp_path / "library")
    files = sorted(folder.iterdir())
    start = time.perf_counter()
    outcomes = import_files(library, files, Order(), lambda done, total: None)
    seconds = time.perf_counter() - start
    assert all(outcome.status == "imported" for outcome in outcomes)
    print(f"\n{FILES} files of 2,000 rows: {FILES / seconds:.0f} a second, {workers_for(files)} processes")


def test_memory_does_not_grow_with_the_file(tmp_path):
    """Peak resident memory of a process that imports ROWS / 10 and ROWS rows."""
    pytest.importorskip("resource")
    peaks = []
    for rows in (ROWS // 10, ROWS):
        path = tmp_path / f"{rows}.csv"
        _export(path, rows)
        code = (
            "import resource, sys\n"
            "from pathlib import Path\n"
            "from store import Library\n"
            "from store.imports.importer import Order, import_file\n"
            "library = Library.create(Path(sys.argv[1] + '.library'))\n"
            "assert import_file(library, Path(sys.argv[1]), Order()).status == 'imported'\n"
            "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
        )
        root = str(Path(__file__).parents[2])
        done = subprocess.run(
            [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True, cwd=root
        )
        peaks.append(int(done.stdout) / 1024)
    print(f"\npeak memory: {peaks[0]:.0f} MB at {ROWS // 10:,} rows, {peaks[1]:.0f} MB at {ROWS:,}")
    assert max(peaks) < MOST_MB
