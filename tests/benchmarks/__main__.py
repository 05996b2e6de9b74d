"""`python -m tests.benchmarks`: one table of whole commands beside whole peers, and one of how they grow.

`--rows`, `--files`, `--runs` set the sizes, `--rounds` how often each is measured, `--only WORD` picks rows by a word.
Figures are medians, the best in brackets. The machine's load is printed: others on it make every figure worse, the
ratios least.
"""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import statistics
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from store import Library
from tests.benchmarks.many_devices import devices_of
from tests.benchmarks.own_samples import give_own_samples
from tests.benchmarks.test_importers import _export
from tests.benchmarks.whole import HEAD, Work, in_turns, joulebook, line, python, run_once

LOAD = "import duckdb, polars"


def _fresh(folder: Path, empty: Path) -> Callable[[], None]:
    """Before each run: a library that is as the model, in a place of its own."""

    def prepare() -> None:
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(empty, folder)

    return prepare


def _imports(folder: Path, rows: int, files: Sequence[int]) -> list[Work]:
    empty, place = folder / "empty", folder / "into"
    Library.create(empty)
    large = folder / "large.csv"
    _export(large, rows)
    bare = f"import polars as pl; pl.scan_csv({str(large)!r}).sink_parquet({str(folder / 'bare.parquet')!r})"
    works = [
        Work(
            f"import {rows:,} rows",
            joulebook(place, "import", large),
            "Polars, CSV to Parquet",
            python(bare),
            _fresh(place, empty),
            goal="1.8 x wall, 1.5 x cpu, 500 MB",
        )
    ]
    for count in files:
        logs = folder / f"logs-{count}"
        logs.mkdir()
        for number in range(count):
            _export(logs / f"{number:06}.csv", 2000, step_s=1.0, seed=number)
        out = folder / "bare"
        out.mkdir(exist_ok=True)
        bare = (
            "import polars as pl; from pathlib import Path\n"
            f"for p in sorted(Path({str(logs)!r}).iterdir()):\n"
            f"    pl.read_csv(p).write_parquet(Path({str(out)!r}) / (p.stem + '.parquet'))"
        )
        works.append(
            Work(
                f"import {count:,} files of 2,000 rows",
                joulebook(place, "import", logs),
                "Polars, each CSV to Parquet",
                python(bare),
                _fresh(place, empty),
                per=count,
                goal="200 a second",
            )
        )
    return works


def _care(folder: Path, runs: int) -> list[Work]:
    """What works on whole libraries, of runs that were really imported."""
    logs, model, place = folder / "care-logs", folder / "care", folder / "care-copy"
    logs.mkdir()
    for number in range(runs):
        _export(logs / f"{number:06}.csv", 2000, step_s=1.0, seed=number)
    Library.create(model)
    run_once(joulebook(model, "import", logs), folder)
    archive, shared, traces = folder / "library.archive", folder / "shared", str(place / "traces")
    fresh = _fresh(place, model)

    def prepare() -> None:
        fresh()
        archive.unlink(missing_ok=True)
        shutil.rmtree(shared, ignore_errors=True)

    read = f"import polars as pl; pl.scan_parquet({traces + '/**/*.parquet'!r}).sum().collect()"
    pack = f"import duckdb; duckdb.sql(\"COPY (FROM '{traces}/runs/*.parquet') TO '{folder}/pack.parquet'\")"
    hashes = (
        "import hashlib; from pathlib import Path\n"
        f"for p in Path({str(place)!r}).rglob('*'):\n    p.is_file() and hashlib.sha256(p.read_bytes())"
    )
    copy = f"import tarfile; tarfile.open({str(folder / 'bare.tar')!r}, 'w').add({str(place)!r})"
    return [
        Work(f"recompute, {runs:,} runs", joulebook(place, "recompute"), "Polars reads the samples", python(read),
             prepare, per=runs, goal="2 ms a run"),
        Work(f"pack, {runs:,} runs", joulebook(place, "pack"), "DuckDB copies loose traces", python(pack), prepare),
        Work(f"verify, {runs:,} runs", joulebook(place, "verify"), "SHA-256 of every file", python(hashes), prepare),
        Work(f"rebuild, {runs:,} runs", joulebook(place, "rebuild"), prepare=prepare, per=runs),
        Work(f"backup, {runs:,} runs", joulebook(place, "backup", archive), "tar", python(copy), prepare),
        Work(f"share, {runs:,} runs", joulebook(place, "share", shared, "--bench", "north"), prepare=prepare),
    ]  # fmt: skip


def _library(folder: Path, runs: int, devices: int) -> Path:
    library = devices_of(folder, runs, devices)
    give_own_samples(library)
    return library.path


def _daily(folder: Path, place: Path, runs: int) -> list[Work]:
    """What a person asks of a library of copies, every run with samples of its own."""
    need = folder / "need.toml"
    need.write_text("usable_wh = 5\n", "utf-8")
    archive = folder / "backup.archive"
    load = "Python loading DuckDB and Polars", python(LOAD)
    return [
        Work(f"runs, {runs:,}", joulebook(place, "runs", "port:C1", "wh>5", "--limit", 40), *load, goal="1.2 x"),
        Work(f"device list, {runs:,} runs", joulebook(place, "device", "list"), *load, goal="1 s, 500 MB"),
        Work(f"choose, {runs:,} runs", joulebook(place, "choose", "--need", need), *load, goal="3 s, 500 MB"),
        Work(f"sql over all samples, {runs:,} runs", joulebook(place, "sql", "SELECT avg(voltage_v) FROM samples"),
             *load),
        Work(f"verify --quick, {runs:,} runs", joulebook(place, "verify", "--quick"), *load, goal="300 MB"),
        Work(f"backup, {runs:,} runs of 100 samples", joulebook(place, "backup", archive), *load,
             prepare=lambda: archive.unlink(missing_ok=True), goal="300 MB"),
    ]  # fmt: skip


def _machine() -> str:
    load = ", ".join(f"{value:.1f}" for value in os.getloadavg()) if hasattr(os, "getloadavg") else "unknown"
    return f"{os.cpu_count()} processors, {platform.machine()}, Python {platform.python_version()}; load {load}"


def main(words: Sequence[str] | None = None) -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    options.add_argument("--rows", type=int, default=10_000_000, help="rows of the large file")
    options.add_argument("--files", type=int, nargs="*", default=[600], help="numbers of small files")
    options.add_argument("--care", type=int, default=1000, help="runs that are imported, for what works on all of them")
    options.add_argument("--runs", type=int, nargs="*", default=[1_000, 10_000, 100_000], help="sizes for the growth")
    options.add_argument("--devices", type=int, default=1003)
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--only", default="", help="rows whose name holds this word")
    chosen = options.parse_args(words)
    folder = Path(tempfile.mkdtemp(prefix="joulebook-benchmarks-"))
    print(f"{_machine()} at the beginning; medians of {chosen.rounds}, best in brackets\n\n{HEAD}", flush=True)
    try:
        works: list[Work] = []
        if "import" in chosen.only or not chosen.only:
            works += _imports(folder, chosen.rows, chosen.files)
        if chosen.care:
            works += _care(folder, chosen.care)
        _measure(works, chosen.rounds, chosen.only, folder)
        grown: dict[str, list[float]] = {}
        for runs in chosen.runs:
            place = folder / f"runs-{runs}"
            place.mkdir()
            daily = _daily(place, _library(place, runs, min(chosen.devices, max(runs // 10, 1))), runs)
            for name, wall in _measure(daily, chosen.rounds, chosen.only, folder).items():
                grown.setdefault(name.split(",", maxsplit=1)[0], []).append(wall)
            shutil.rmtree(place)
        _print_growth(grown, chosen.runs)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    print(f"\n{_machine()} at the end")


def _measure(works: Sequence[Work], rounds: int, only: str, home: Path) -> dict[str, float]:
    """Print a row for each; medians of wall times by name."""
    found: dict[str, float] = {}
    for work in works:
        if only in work.name:
            ours, theirs = in_turns(work, rounds, home)
            print(line(work, ours, theirs), flush=True)
            found[work.name] = statistics.median(cost.wall_s for cost in ours)
    return found


def _print_growth(grown: dict[str, list[float]], sizes: Sequence[int]) -> None:
    """Seconds by size, and from where on a step costs more than its size: where it bends."""
    if len(sizes) < 2 or not grown:
        return
    print(f"\n| seconds at | {' | '.join(f'{size:,} runs' for size in sizes)} | bends |")
    print(f"| {' | '.join(['---'] * (len(sizes) + 2))} |")
    for name, seconds in grown.items():
        steps = [
            f"{later / earlier:.1f} x from {few:,} to {many:,}"
            for earlier, later, few, many in zip(seconds, seconds[1:], sizes, sizes[1:], strict=False)
            if later > 2.0 * earlier
        ]
        print(f"| {name} | {' | '.join(f'{value:.2f}' for value in seconds)} | {'; '.join(steps) or 'nowhere'} |")


if __name__ == "__main__":
    sys.exit(main())
