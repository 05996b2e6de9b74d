"""Care of a large library stays within 300 MB, the program itself among them."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pytest

from store import Library
from tests.benchmarks.many_runs import library_of

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not hasattr(os, "wait4"), reason="the system does not tell a process's memory"),
]
RUNS = 40_000
MOST_MB = 300


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Library:
    """So many runs, each read from an original of its own: files that are one on the disk, under as many names."""
    library = library_of(tmp_path_factory.mktemp("large"), RUNS)
    with library.catalogue.reader() as cursor:
        first = cursor.execute("SELECT min(stored_as) FROM catalogue.original").fetchall()[0][0]
    content = (library.path / first).read_bytes()
    hashes = [hashlib.sha256(str(number).encode()).hexdigest() for number in range(RUNS)]
    for number, sha256 in enumerate(hashes):
        path = library.layout.originals / f"{sha256}.csv.zst"
        if number % 50_000 == 0:  # a file can't have more names
            source = path
            source.write_bytes(content)
        else:
            os.link(source, path)
    with library.catalogue.writer() as cursor:
        cursor.register("more", pa.table({"sha256": hashes}))
        cursor.execute(
            "INSERT INTO catalogue.original SELECT old.* REPLACE (more.sha256 AS sha256, "
            "'originals/' || more.sha256 || '.csv.zst' AS stored_as) "
            "FROM (SELECT * FROM catalogue.original WHERE stored_as = ?) old, more",
            [first],
        )
        cursor.execute("DELETE FROM catalogue.trace_file WHERE trace_id NOT IN (SELECT trace_id FROM catalogue.run)")
    return library


MEASURE = (
    "import os, subprocess, sys; started = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL); "
    "_, status, used = os.wait4(started.pid, 0); print(os.waitstatus_to_exitcode(status), used.ru_maxrss)"
)
"""A small process in between: what is measured begins with what its parent takes."""


def peak_mb(*words: str) -> tuple[int, float]:
    """Exit status of the program and the most memory that it took [MB]."""
    command = [sys.executable, "-S", "-c", MEASURE, sys.executable, "-m", "tui", *words]
    told = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    return int(told[0]), int(told[1]) / (1024 if sys.platform == "linux" else 1 << 20)


def test_a_quick_look(large: Library):
    _, most = peak_mb("--library", str(large.path), "verify", "--quick")
    print(f"\nverify --quick of {RUNS:,} runs: {most:.0f} MB")
    assert most < MOST_MB


def test_an_archive_and_back(large: Library, tmp_path: Path):
    status, most = peak_mb("--library", str(large.path), "backup", str(tmp_path / "all.tar"))
    back, least = peak_mb("restore", str(tmp_path / "all.tar"), "--to", str(tmp_path / "again"))
    print(f"\nbackup of {RUNS:,} runs: {most:.0f} MB, restore {least:.0f} MB")
    assert (status, back) == (0, 0)
    assert max(most, least) < MOST_MB
    assert Library.open(tmp_path / "again").runs.page().total == large.runs.page().total
