"""One run's samples by its rows in the file: those that a bare engine finds by the run's number, or a sentence."""

from __future__ import annotations

import random
from pathlib import Path

import duckdb
import polars as pl
import pytest

from store import Library, TraceDamaged
from store.files import traces
from tests.builders import add_run, make_run, make_store, write_export


@pytest.fixture(scope="module", params=["loose", "packed"])
def library(request, tmp_path_factory) -> Library:
    """Six runs of random length; row groups of 700 rows, so that the long ones span several."""
    folder, kept = tmp_path_factory.mktemp(request.param), traces.GROUP_ROWS
    traces.GROUP_ROWS = 700
    try:
        library = make_store(folder, 0)
        for number, samples in enumerate((1, 300, 2500, 2, 699, 1400)):
            frame = make_run(samples, seed=number).with_columns(
                pl.when(pl.col("t_s") % 7 == 3).then(None).otherwise(pl.col("power_w")).alias("power_w")
            )
            add_run(library, write_export(folder, f"{number}.csv"), frame)
        if request.param == "packed":
            library.maintenance.pack()
    finally:
        traces.GROUP_ROWS = kept
    return library


def test_a_span_of_a_run_is_what_a_bare_engine_finds(library: Library):
    bare, rng = duckdb.connect(), random.Random(8)
    files = [str(file["path"]) for file in library.maintenance.files()]
    for number in range(60):
        run_id = 1 + number % 6
        ends = sorted(rng.choice((0.0, 12.0, 699.0, 700.0, rng.uniform(-5, 2600))) for _ in range(2))
        low, high = (None, None) if number < 6 else ends
        channels = [None, ["voltage_v"], ["power_w", "voltage_v"]][number % 3]
        ours = library.samples.read(run_id, channels, low, high)
        names = ", ".join(["t_s", *(channels or ("voltage_v", "current_a", "power_w", "temperature_c"))])
        theirs = bare.execute(
            f"SELECT {names} FROM read_parquet($files) WHERE run_id = $run AND t_s BETWEEN $low AND $high ORDER BY t_s",
            {"files": files, "run": run_id, "low": -1 if low is None else low, "high": 1e9 if high is None else high},
        ).fetchall()
        assert [tuple(row.values()) for row in ours.to_pylist()] == theirs
        assert ours.column_names == names.split(", ")


def test_rows_of_another_run_are_never_taken_for_ones_own(tmp_path: Path):
    """As a catalogue that lies would have it; the file is in order."""
    library = make_store(tmp_path, 3, samples=200)
    library.maintenance.pack()
    with library.catalogue.writer() as cursor:
        cursor.execute("UPDATE catalogue.run SET first_row = first_row + 1 WHERE run_id IN (1, 3)")
    for run_id, said in ((1, "another run"), (3, "fewer")):
        with pytest.raises(TraceDamaged, match=said):
            library.samples.read(run_id)
    assert library.samples.read(2).num_rows == 200


def test_a_damaged_page_and_a_missing_trace_are_one_sentence(tmp_path: Path):
    library = make_store(tmp_path, 2, samples=900)
    first, second = (library.samples.place(run_id)[0] for run_id in (1, 2))
    held = bytearray(first.read_bytes())
    for place in range(200, len(held) // 2, 50):
        held[place] ^= 0x10
    first.write_bytes(held)
    second.unlink()
    with pytest.raises(TraceDamaged, match=r"is not what was written: .* `joulebook verify --repair`"):
        library.samples.read(1)
    for read in (lambda: library.samples.read(2), lambda: library.samples.strips(2)):
        with pytest.raises(TraceDamaged, match=second.name):
            read()
    first.write_bytes(b"")
    with pytest.raises(TraceDamaged, match=first.name):
        library.samples.read(1)
