"""Full disks, many at once, what is left open, packs against loose traces: the library at its limits."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from importers.schema import CHANNEL_NAMES, Facts
from store import DiskFault, Library
from tests.builders import add_run, make_run, make_store, write_export

MAIN = Path(__file__).parents[2]
FULL = """
import resource, signal, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from store import DiskFault, Library
from tests.builders import add_run, make_run
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
library = Library.open(sys.argv[2])
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[4]), resource.RLIM_INFINITY))
acts = {
    "import": lambda: add_run(library, Path(sys.argv[3]), make_run(40_000)),
    "edit": lambda: library.runs.edit([1], {"load": "20 W"}),
    "pack": library.maintenance.pack,
    "backup": lambda: library.maintenance.backup(Path(sys.argv[3]).with_name("full.tar")),
}
for name, act in acts.items():
    try:
        act()
    except DiskFault as error:
        print(name, "refused:", error)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
library.runs.edit([2], {"note": "there is room again"})
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of files there")
@pytest.mark.parametrize("limit", [0, 65536, *(pytest.param(n, marks=pytest.mark.long) for n in (4096, 1_000_000))])
def test_a_full_disk_is_said_and_nothing_is_half_done(limit: int, tmp_path: Path):
    """Every file may grow to so many bytes only; then there is room again, and the same process goes on."""
    library = make_store(tmp_path, 3, samples=300)
    before = library.runs.frame(sort="run_id")["run_id"].to_list()
    command = [
        sys.executable,
        "-c",
        FULL,
        str(MAIN),
        str(library.path),
        str(write_export(tmp_path, "x.csv")),
        str(limit),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "import refused" in done.stdout
    assert "backup refused" in done.stdout
    assert all("full.tar" in line or str(library.path) in line for line in done.stdout.splitlines()), done.stdout
    assert library.runs.frame(sort="run_id")["run_id"].to_list() == before
    assert library.runs.get(2).facts.note == "there is room again"
    assert library.maintenance.verify() == []
    assert not list(library.layout.tmp.iterdir())
    assert not [path.name for path in tmp_path.iterdir() if "full.tar" in path.name]


CROWD = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from tests.builders import add_run, make_run
from store import Library
library = Library.open(sys.argv[2])
for file in sys.argv[3:]:
    assert not add_run(library, Path(file), make_run(60)).already
"""


def crowd(tmp_path: Path, processes: int, files: int) -> None:
    library = make_store(tmp_path, 0)
    exports = [str(write_export(tmp_path, f"e{number:03d}.csv")) for number in range(files)]
    command = [sys.executable, "-c", CROWD, str(MAIN), str(library.path)]
    writers = [
        subprocess.Popen([*command, *exports[start::processes]], stderr=subprocess.PIPE, text=True)
        for start in range(processes)
    ]
    told, ended = [], threading.Event()

    def look() -> None:
        while not ended.is_set():
            (row,) = library.sql.run(
                "SELECT (SELECT coalesce(sum(samples), 0) FROM runs) AS a, (SELECT count(*) FROM samples) AS b"
            ).table.to_pylist()
            told.append(row["a"] == row["b"])

    lookers = [threading.Thread(target=look) for _ in range(2)]
    for looker in lookers:
        looker.start()
    said = [writer.communicate()[1] for writer in writers]
    ended.set()
    for looker in lookers:
        looker.join()
    assert said == [""] * processes
    assert told
    assert all(told)
    assert library.runs.frame(sort="run_id")["run_id"].to_list() == list(range(1, files + 1))
    assert library.maintenance.verify() == []


def test_several_processes_import_at_once(tmp_path: Path):
    crowd(tmp_path, 2, 4)


@pytest.mark.long
def test_eight_processes_import_two_hundred_files(tmp_path: Path):
    crowd(tmp_path, 8, 200)


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def memory_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


def use(library: Library, number: int) -> None:
    """One of everything that a day brings."""
    library.runs.page("port:C1 wh>0")
    library.runs.get(1 + number % 3)
    library.samples.read(1 + number % 3)
    library.samples.strips(1 + number % 3, buckets=40)
    library.sql.run("SELECT port, count(*) FROM runs GROUP BY port")
    if number % 5 == 0:
        library.runs.edit([1], {"note": f"n{number}"})
    if number % 25 == 0:
        Library.open(library.path).maintenance.verify(quick=True)


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="no /proc here")
@pytest.mark.parametrize("rounds", [12, pytest.param(1000, marks=pytest.mark.long)])
def test_nothing_is_left_open(tmp_path: Path, rounds: int):
    """As many files and threads open after as before; memory grows by no more than caches take."""
    library = make_store(tmp_path, 3, samples=200)
    for number in range(10):
        use(library, number)
    files, threads, memory = open_files(), threading.active_count(), memory_mb()
    for number in range(rounds):
        use(library, number)
    assert open_files() == files
    assert threading.active_count() <= threads
    assert memory_mb() - memory < 60
    print(f"\n{rounds} rounds: memory {memory:.0f} MB, then {memory_mb():.0f} MB")


def random_library(folder: Path, seed: int) -> Library:
    """A few runs of random length, channels, gaps and values, some of them nothing at all."""
    rng = np.random.default_rng(seed)
    folder.mkdir()
    library = Library.create(folder / "store", zone="UTC", who="tester")
    for number in range(int(rng.integers(2, 5))):
        samples = int(rng.choice([1, 2, 7, 150]))
        columns = {"t_s": np.cumsum(rng.uniform(0.01, 3, samples)) if samples > 1 else np.zeros(1)}
        columns["t_s"] = columns["t_s"] - columns["t_s"][0]
        for name in rng.choice(CHANNEL_NAMES, int(rng.integers(1, 5)), replace=False):
            values = rng.standard_normal(samples) * 10.0 ** rng.integers(-6, 6)
            columns[str(name)] = np.where(rng.random(samples) < 0.1, np.nan, values)
        frame = pl.DataFrame(columns).fill_nan(None)
        add_run(library, write_export(folder, f"r{number}.csv"), frame, facts=Facts(kind="standby"))
    return library


@pytest.mark.parametrize("seeds", [range(2), pytest.param(range(100), marks=pytest.mark.long)])
def test_a_pack_holds_the_bits_of_the_loose_traces(tmp_path: Path, seeds: range):
    """Every channel of every sample, and what every view says, before and after."""
    for seed in seeds:
        library = random_library(tmp_path / str(seed), seed)
        views = [name for name in library.sql.views() if name != "samples"]

        def everything(library: Library = library, views: list[str] = views) -> list[object]:
            samples = library.sql.run("FROM samples ORDER BY run_id, t_s", limit=None).table
            bits = [
                [None if v is None else v.hex() for v in samples[name].to_pylist()] for name in samples.column_names[1:]
            ]
            told = [library.sql.run(f"FROM {name} ORDER BY ALL", limit=None).table.to_pylist() for name in views]
            return [samples["run_id"].to_pylist(), bits, told]

        before = everything()
        library.maintenance.pack()
        assert [file["is_pack"] for file in library.maintenance.files()] == [True]
        assert everything() == before
        assert library.maintenance.verify() == []


def test_a_run_out_of_a_file_that_is_gone_is_one_sentence(tmp_path: Path):
    library = make_store(tmp_path, 1, samples=50)
    (file,) = library.layout.runs.iterdir()
    file.unlink()
    assert [finding.code for finding in library.maintenance.verify(quick=True)] == ["missing-trace"]
    add_run(library, write_export(tmp_path, "y.csv"), make_run(50))
    assert library.maintenance.pack().damaged == (file.relative_to(library.path).as_posix(),)
    with pytest.raises(DiskFault, match="No such file"):
        library.maintenance.backup(Path(tmp_path / "none" / "b.tar"))
