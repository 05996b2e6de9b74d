"""What the library costs beside bare DuckDB on the same rows in one run: ratios, no wall-clock limits.

Run with `-n 0 -m bench -s`. JOULEBOOK_BENCH_RUNS sets the runs of the large library. Goals: a filtered, sorted list
from store to Arrow in 20 ms; `joulebook runs` in twice the time of importing DuckDB and Polars, plus the question; one
run's 10,000 samples in 10 ms; 10 million samples to 400 buckets, and a sum over all samples, in 1.3 times bare DuckDB's
time; `verify --quick` under a second at 10,000 runs.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from store import Library
from store.catalogue.run_records import append_rows
from tests.benchmarks.many_runs import library_of, long_run
from tests.benchmarks.own_samples import PER_PACK, give_own_samples
from tests.builders import add_run, make_run, write_export

pytestmark = pytest.mark.bench
RUNS = int(os.environ.get("JOULEBOOK_BENCH_RUNS", "100_000"))
SHOWN = ("run_id", "started_at", "device", "port", "mode", "kind", "load_set", "energy_wh", "quality")


@pytest.fixture(scope="module")
def big(tmp_path_factory: pytest.TempPathFactory) -> Library:
    """So many runs of 100 samples each in packs, and one run of 10 million and one of 10,000 in files of their own."""
    folder = tmp_path_factory.mktemp("big")
    library = library_of(folder, RUNS)
    give_own_samples(library)
    long_run(library, folder, 10_000_000)
    add_run(library, write_export(folder, "short.csv"), make_run(10_000))
    return library


def times(work: Callable[[], object], count: int = 9) -> list[float]:
    taken = []
    for _ in range(count):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return taken


def beside(ours: Callable[[], object], theirs: Callable[[], object], count: int = 7) -> tuple[float, float]:
    """Shortest time [s] of each, taken in turns so that another's load on the machine strikes both."""
    ours(), theirs()
    pairs = [(times(ours, 1)[0], times(theirs, 1)[0]) for _ in range(count)]
    return min(a for a, _ in pairs), min(b for _, b in pairs)


def test_the_list(big: Library):
    """Filtered and sorted pages of 500, from store to Arrow: as the interface asks for them, and with every column."""
    for text, sort in (
        ("", "-started_at"),
        ("port:C1 wh>5", "-started_at"),
        ("PB-017", "-energy_wh"),
        ("mode:20V", "device"),
    ):
        few = times(lambda text=text, sort=sort: big.runs.page(text, sort=sort, columns=SHOWN))
        every = times(lambda text=text, sort=sort: big.runs.page(text, sort=sort))
        print(
            f"\nlist of {RUNS:,} by `{text}` {sort}: {1e3 * min(few):.1f} ms (median {1e3 * sorted(few)[4]:.1f}), "
            f"every column {1e3 * min(every):.1f} ms"
        )
    assert big.runs.page("port:C1").shown > 0


def test_the_command(big: Library):
    """`joulebook runs` beside a Python that only imports DuckDB and Polars."""
    ours = [sys.executable, "-m", "tui", "--library", str(big.path), "runs", "port:C1", "wh>5", "--limit", "40"]
    root = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}

    def run(command: list[str]) -> None:
        subprocess.run(command, check=True, capture_output=True, env=root)

    a, b = beside(lambda: run(ours), lambda: run([sys.executable, "-c", "import duckdb, polars"]))
    print(f"\n`runs`: {1e3 * a:.0f} ms, importing both {1e3 * b:.0f} ms: {a / b:.2f}")


def test_one_run(big: Library):
    """A run's 10,000 samples from a file of its own; a run of 100 out of a pack of 20,000 runs."""
    last = big.runs.page(sort="-run_id", limit=1).table["run_id"][0].as_py()
    assert big.samples.read(last).num_rows == 10_000
    own, packed = times(lambda: big.samples.read(last)), times(lambda: big.samples.read(RUNS // 2))
    frame = times(lambda: big.samples.lazy(last).collect())
    print(
        f"\n10,000 samples: {1e3 * min(own):.1f} ms (median {1e3 * sorted(own)[4]:.1f}), as a LazyFrame "
        f"{1e3 * min(frame):.1f} ms; 100 samples out of a pack of {PER_PACK:,} runs: {1e3 * min(packed):.1f} ms"
    )


def test_ten_million_samples_to_a_strip(big: Library, tmp_path: Path):
    """Minimum, mean, maximum of four channels in 400 time buckets, beside bare DuckDB on a bare file of these rows."""
    run_id = big.runs.page(sort="-samples", limit=1).table["run_id"][0].as_py()
    channels = ("voltage_v", "current_a", "power_w", "temperature_c")
    bare = duckdb.connect()
    trace = str(big.samples.place(run_id)[0])
    names = ", ".join(("t_s", *channels))
    bare.execute(f"COPY (SELECT {names} FROM read_parquet('{trace}')) TO '{tmp_path}/bare.parquet' (COMPRESSION zstd)")
    duration = big.runs.get(run_id).duration_s
    bands = ", ".join(f"min({c}), avg({c}), max({c})" for c in channels)
    sql = (
        f"SELECT least(CAST(floor(t_s * 400 / {duration}) AS INTEGER), 399) AS bucket, {bands} "
        f"FROM '{tmp_path}/bare.parquet' GROUP BY bucket"
    )
    a, b = beside(lambda: big.samples.strips(run_id, channels, buckets=400), lambda: bare.execute(sql).fetchnumpy())
    print(f"\n10 million samples to 400 buckets: {1e3 * a:.0f} ms, bare DuckDB {1e3 * b:.0f} ms: {a / b:.2f}")


def test_a_sum_over_all_samples(big: Library, tmp_path: Path):
    """An aggregate over every sample by `sql`, beside bare DuckDB on one file of the same rows."""
    bare = duckdb.connect()
    names = ", ".join(f"'{file['path']}'" for file in big.maintenance.files())
    bare.execute(f"COPY (FROM read_parquet([{names}])) TO '{tmp_path}/all.parquet' (COMPRESSION zstd)")
    for question in (
        "SELECT count(*), avg(voltage_v), max(power_w) FROM {s}",
        "SELECT run_id, sum(power_w) AS p FROM {s} GROUP BY run_id ORDER BY p DESC LIMIT 10",
    ):
        ours = question.format(s="samples")
        theirs = question.format(s=f"'{tmp_path}/all.parquet'")
        first = times(lambda ours=ours: Library.open(big.path).sql.run(ours), 1)[0]
        a, b = beside(lambda ours=ours: big.sql.run(ours), lambda theirs=theirs: bare.execute(theirs).fetchall())
        print(f"\n{ours}: {1e3 * a:.0f} ms (first {1e3 * first:.0f}), bare DuckDB {1e3 * b:.0f} ms: {a / b:.2f}")


def test_questions_over_the_tables(big: Library):
    """Questions over views of the catalogue, first and again, and after another process wrote."""
    for question in (
        "SELECT count(*) FROM runs",
        "SELECT device, max(energy_wh) AS wh FROM runs GROUP BY device ORDER BY wh DESC",
        "SELECT name, avg(value) FROM results GROUP BY name",
        "SELECT kind, count(*) FROM events GROUP BY kind",
        "SELECT r.device, avg(s.voltage_v) FROM samples s JOIN runs r USING (run_id) WHERE r.port = 'C1' GROUP BY 1",
    ):
        fresh = Library.open(big.path)
        first = times(lambda fresh=fresh, question=question: fresh.sql.run(question), 1)[0]
        again = min(times(lambda fresh=fresh, question=question: fresh.sql.run(question), 5))
        print(f"\n{question}: first {1e3 * first:.0f} ms, again {1e3 * again:.0f} ms")


def test_verify_quick(tmp_path: Path):
    """Names and sizes of 10,000 runs with 10,000 originals."""
    library = library_of(tmp_path, 10_000)
    rows = []
    template = library.sql.run("FROM originals LIMIT 1").table.to_pylist()[0]
    for number in range(10_000):
        sha256 = hashlib.sha256(str(number).encode()).hexdigest()
        name = f"originals/{sha256}.csv.zst"
        (library.path / name).write_bytes(b"x" * 20)
        row = {**template, "sha256": sha256, "stored_as": name, "stored_sha256": sha256, "stored_bytes": 20}
        rows.append({**row, "profile_text": "", "problems": "[]"})
    with library.catalogue.writer() as cursor:
        append_rows(cursor, "original", rows)
    taken = times(lambda: library.maintenance.verify(quick=True), 5)
    print(f"\nverify --quick at 10,000 runs and originals: {1e3 * min(taken):.0f} ms")
    assert {finding.code for finding in library.maintenance.verify(quick=True)} <= {"rows"}
