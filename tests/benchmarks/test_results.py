"""How long the results of a run take, against bare Polars reading the same four columns. Run with -n 0 -m bench -s.

Goals: all results of 36,000 samples within 50 ms of one core; 10 million samples within 3 times the reading, in
bounded memory. Figures are printed, not asserted: another machine's load is no fault of the program.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from store.files.traces import MEMORY_SAMPLES, ParquetTrace, TraceWriter, to_table
from store.methods import reduce_run
from store.model.results import ArrayTrace, MeterAccuracy, RunContext

CHANNELS = ("voltage_v", "current_a", "temperature_c")
CONTEXT = RunContext(
    "discharge",
    "out",
    mode="fixed 20 V",
    load_set="30 W",
    ambient_c=22.0,
    meter=MeterAccuracy("M1", "0.05% + 2d(0.001)", "0.1% + 2d(0.001)", "1 K"),
)


def discharge(samples: int, first: int = 0, total: int | None = None) -> pl.DataFrame:
    """Part of a noisy discharge at 10 Hz that cuts off shortly before its end."""
    rng = np.random.default_rng(first)
    at = np.arange(first, first + samples, dtype=np.float64)
    loaded = at < 0.97 * (total or samples)
    t_s = 0.1 * at
    return pl.DataFrame(
        {
            "t_s": t_s,
            "voltage_v": 20.0 + 0.01 * rng.standard_normal(samples),
            "current_a": np.where(loaded, 1.5, 0.0) + 0.001 * rng.standard_normal(samples),
            "temperature_c": 22.0 - 20.0 * np.expm1(-t_s / 900.0) + 0.05 * rng.standard_normal(samples),
        }
    )


def write_trace(path: Path, samples: int) -> ParquetTrace:
    """A trace file of one run, written in pieces."""
    writer = TraceWriter(path)
    piece = 500_000
    for first in range(0, samples, piece):
        writer.write(to_table(1, discharge(min(piece, samples - first), first, samples)))
    writer.finish([])
    return ParquetTrace(path, 0, samples, CHANNELS)


def best(call: Callable[[], object], repeats: int, clock: Callable[[], float] = time.perf_counter) -> float:
    """Least time of several calls [s]."""
    times = []
    for _ in range(repeats):
        start = clock()
        call()
        times.append(clock() - start)
    return min(times)


def read_bare(path: Path) -> pl.DataFrame:
    """What Polars alone does: four columns into memory, as one piece."""
    return pl.read_parquet(path, columns=["t_s", *CHANNELS])


@pytest.mark.bench
def test_results_of_36_000_samples(tmp_path: Path) -> None:
    trace = write_trace(tmp_path / "run.parquet", 36_000)
    columns = {name: y.to_numpy() for name, y in discharge(36_000).to_dict().items()}
    alone = best(lambda: reduce_run(ArrayTrace(columns), CONTEXT), 15, time.process_time)
    ours = best(lambda: reduce_run(trace, CONTEXT), 15)
    theirs = best(lambda: read_bare(trace.path), 15)
    print(
        f"\n36,000 samples: results {alone * 1e3:.1f} ms of processor (goal 50); from the file {ours * 1e3:.1f} ms, "
        f"bare Polars reading {theirs * 1e3:.1f} ms"
    )
    found = {result.name: result for result in reduce_run(trace, CONTEXT).results}
    assert found["energy_wh"].value == pytest.approx(30.0 * 0.97, rel=1e-3)


@pytest.mark.bench
def test_results_of_ten_million_samples(tmp_path: Path) -> None:
    samples = 10_000_000
    assert samples > MEMORY_SAMPLES
    trace = write_trace(tmp_path / "run.parquet", samples)
    ours = best(lambda: reduce_run(trace, CONTEXT), 3)
    theirs = best(lambda: read_bare(trace.path), 3)
    tracemalloc.start()
    found = {result.name: result for result in reduce_run(trace, CONTEXT).results}
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    print(
        f"\n10 million samples: {ours:.2f} s, bare Polars reading {theirs:.2f} s, {ours / theirs:.1f} x (goal 3); "
        f"at most {peak / 1e6:.0f} MB of arrays at once, {4 * 8 * samples / 1e6:.0f} MB in its four columns"
    )
    assert found["samples"].value == samples
    assert found["energy_wh"].value == pytest.approx(30.0 * 0.97 * samples * 0.1 / 3600.0, rel=1e-3)
    assert peak < 4 * 8 * samples / 2, "a long run is reduced in pieces, never as a whole"
