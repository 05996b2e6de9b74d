"""No wrong number is read in silence: flipped bits, swapped files, changed results, half-done changes."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest

from store import Library, StoreError, WrongFact
from store.errors import DiskWithoutLocks, PartlyDone, TraceDamaged
from store.imports.importer import Order, import_file
from store.model.records import Meter
from tests.store.trust.libraries import change, everything, flip, make_bench


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_bench(tmp_path_factory.mktemp("bench")).path


@pytest.fixture
def library(kept: Path, tmp_path: Path) -> Library:
    return Library.open(shutil.copytree(kept, tmp_path / "store"), who="tester")


READS = {
    "samples": lambda library: library.samples.read(1),
    "trace": lambda library: library.samples.lazy(1).collect(),
    "strips": lambda library: library.samples.strips(1),
    "sql": lambda library: library.sql.run(
        "SELECT run_id, sum(voltage_v), sum(current_a), sum(power_w) FROM samples GROUP BY 1"
    ),
    "recompute": lambda library: library.results.recompute([1]),
}


@pytest.mark.parametrize("read", sorted(READS))
def test_no_flipped_bit_reaches_a_reader(library: Library, read: str):
    file = library.layout.absolute(library.runs.get(1).provenance.trace_file)
    whole = file.read_bytes()
    seed = np.random.SeedSequence().entropy
    rng = np.random.default_rng(seed)
    for at in rng.integers(0, len(whole), 40):
        raw = bytearray(whole)
        raw[at] ^= 1 << int(rng.integers(8))
        file.write_bytes(raw)
        with pytest.raises(StoreError):
            READS[read](Library.open(library.path))
    file.write_bytes(whole)
    READS[read](Library.open(library.path))


def test_a_swapped_file_gives_no_other_runs_samples(library: Library):
    one, other = (library.layout.absolute(library.runs.get(n).provenance.trace_file) for n in (1, 2))
    library.sql.run("SELECT count(*) FROM samples")
    content = one.read_bytes()
    one.write_bytes(other.read_bytes())
    other.write_bytes(content)
    for read in READS.values():
        with pytest.raises(StoreError):
            read(library)


def test_a_file_is_hashed_once_for_many_questions(library: Library, monkeypatch: pytest.MonkeyPatch):
    from store.files import durable

    seen: list[Path] = []
    original = durable.hash_file
    monkeypatch.setattr(durable, "hash_file", lambda path, *more: (seen.append(path), original(path, *more))[1])
    for _ in range(5):
        library.sql.run("SELECT count(*) FROM samples")
        library.samples.read(1)
    assert len(seen) == len(list(library.layout.runs.iterdir()))


CHANGES = {
    "a result": "UPDATE result SET value = value * 1.3 WHERE name = 'energy_wh' AND run_id = 2",
    "a result and its column": "UPDATE result SET value = value * 1.3 WHERE name = 'energy_wh'; "
    "UPDATE run SET energy_wh = energy_wh * 1.3",
    "a column of the list": "UPDATE run SET energy_wh = energy_wh * 1.3 WHERE run_id = 2",
    "a result made up": "UPDATE result SET value = 99 WHERE name = 'voltage_mean_v' AND run_id = 2",
}


@pytest.mark.parametrize("what", sorted(CHANGES))
@pytest.mark.parametrize("results", [False, True])
def test_a_changed_result_is_found_and_put_right(library: Library, what: str, results: bool):
    before = everything(library)["results"]
    change(library, *CHANGES[what].split("; "))
    broken = Library.open(library.path, who="tester")
    assert {finding.code for finding in broken.maintenance.verify(results=results)} == {"result"}
    assert all(finding.is_repaired for finding in broken.maintenance.verify(repair=True, results=True))
    assert broken.maintenance.verify(results=True) == []
    assert everything(broken)["results"] == before


def test_a_list_of_waiting_runs_hides_no_changed_result(library: Library):
    """The catalogue's own note of what is due is not believed either."""
    change(library, CHANGES["a result"], "INSERT INTO meta VALUES ('results_due', '[1, 2, 3, 4]')")
    assert {finding.code for finding in Library.open(library.path).maintenance.verify(results=True)} == {"result"}


def test_a_changed_result_is_not_published(library: Library):
    from store.care.results_check import refuse_altered

    refuse_altered(library, [1, 2])
    change(library, CHANGES["a result"])
    with pytest.raises(TraceDamaged, match="energy_wh"):
        refuse_altered(Library.open(library.path), [1, 2])


def test_a_damaged_trace_does_not_stop_a_meters_change_half_way(library: Library):
    """The other runs get the new uncertainty, and it is said which run could not."""
    flip(library.layout.absolute(library.runs.get(3).provenance.trace_file))
    with pytest.raises(PartlyDone, match="run 3") as told:
        library.meters.add(Meter("M1", voltage_spec="1% + 2d(0.001)", current_spec="1% + 2d(0.001)"))
    assert "joulebook verify --repair" in str(told.value)
    wide = {n: next(r.uncertainty for r in library.results.of(n) if r.name == "energy_wh") for n in (1, 2, 3, 4)}
    assert wide[1] == pytest.approx(wide[2], rel=0.05)
    assert wide[3] < wide[1] * 0.8
    assert all(finding.is_repaired for finding in library.maintenance.verify(repair=True))
    library.results.recompute()
    assert next(r.uncertainty for r in library.results.of(3) if r.name == "energy_wh") == pytest.approx(
        wide[1], rel=0.05
    )
    assert library.maintenance.verify(results=True) == []


def test_a_disk_whose_locks_do_nothing_is_refused(library: Library, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(fcntl, "fcntl", lambda *_: 0)
    monkeypatch.setattr(fcntl, "flock", lambda *_: None)
    for act in (lambda: Library.open(library.path), lambda: Library.create(library.path.parent / "new")):
        with pytest.raises(DiskWithoutLocks, match="local disk"):
            act()


def test_a_pipe_a_device_and_a_link_to_it_are_refused_at_once(library: Library, tmp_path: Path):
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "zero.csv").symlink_to("/dev/zero")
    for path in (tmp_path / "pipe.csv", tmp_path / "zero.csv", Path("/dev/zero")):
        with pytest.raises(WrongFact, match="regular file"), library.imports.begin(path):
            pass
        assert import_file(library, path, Order()).status == "refused"


FILES = ("catalogue.duckdb", "traces", "journal", "packed")


@pytest.mark.parametrize("older", FILES)
def test_every_mismatch_of_older_and_newer_files_loses_nothing(kept: Path, tmp_path: Path, older: str):
    """One part of the library is of this morning, all others of this evening."""
    evening = Library.open(shutil.copytree(kept, tmp_path / "evening"), who="tester")
    exports = tmp_path / "more"
    exports.mkdir()
    from tests.store.trust.libraries import write_log

    for number in range(2):
        import_file(evening, write_log(exports / f"e{number}.csv", seed=70 + number), Order())
    evening.runs.edit([2], {"note": "evening"}, reason="as seen")
    evening.meters.add(Meter("M9", voltage_spec="1% + 2d(0.01)"))
    if older == "packed":
        evening.maintenance.pack()
    before = everything(evening)
    mixed = Path(shutil.copytree(evening.path, tmp_path / "mixed"))
    part = "traces" if older == "packed" else older
    if part == "catalogue.duckdb":
        shutil.copy(kept / part, mixed / part)
    else:
        shutil.rmtree(mixed / part)
        shutil.copytree(kept / part, mixed / part)
    library = Library.open(mixed, who="tester")
    library.maintenance.verify(repair=True)
    library.results.recompute()
    assert library.maintenance.verify() == []
    after = everything(library)
    for name in before:
        assert after[name] == before[name], name


def test_an_older_log_beside_a_newer_catalogue(library: Library, tmp_path: Path):
    """The engine's own log of another state is not replayed into this one."""
    import subprocess
    import sys

    code = (
        "import duckdb, os, sys; c = duckdb.connect(':memory:'); c.execute(f\"ATTACH '{sys.argv[1]}' AS l\"); "
        'c.execute("DELETE FROM l.run"); os._exit(1)'
    )
    elsewhere = Path(shutil.copytree(library.path, tmp_path / "elsewhere"))
    subprocess.run([sys.executable, "-c", code, str(elsewhere / "catalogue.duckdb")], check=False)
    library.runs.edit([2], {"note": "newer"})
    before = everything(library)
    shutil.copy(elsewhere / "catalogue.duckdb.wal", library.layout.wal)
    again = Library.open(library.path, who="tester")
    assert everything(again) == before
    assert json.dumps(again.notices)
