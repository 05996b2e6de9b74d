"""`import`: facts stated once, folders, the same bytes twice, many files at a time, Ctrl-C in the middle."""

from __future__ import annotations

import json
import os
import signal
import time
from pathlib import Path

import pytest

from importers.schema import Facts
from store import Library
from store.imports.importer import Order, find_files
from store.imports.undisturbed import undisturbed
from store.imports.workers import import_files, workers_for
from tests.cli.conftest import Cli, started


def write_exports(folder: Path, count: int, rows: int = 40) -> list[Path]:
    """Plain exports that differ in their voltage, so that no two have the same bytes."""
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for number in range(count):
        lines = [f"{t},{5 + number / 100:.3f},1.5" for t in range(rows)]
        files.append(folder / f"log-{number:03d}.csv")
        files[-1].write_text("time (s),Voltage (V),Current (A)\n" + "\n".join(lines) + "\n")
    return files


def test_the_document_of_an_import_has_the_agreed_fields(cli: Cli, tmp_path: Path) -> None:
    """Scripts rely on them: file, run_id, port, channels, samples, span_s, profile, warnings."""
    (file,) = write_exports(tmp_path, 1)
    document = cli("import", file, "--device", "PB-07", "--port", "C1", "--kind", "discharge", "--json").json()
    (run,) = document["imported"]
    assert {"file", "run_id", "port", "channels", "samples", "span_s", "profile", "warnings"} <= set(run)
    assert run | {"file": str(file), "port": "C1", "samples": 40, "span_s": 39.0} == run
    assert run["channels"] == ["voltage_v", "current_a"]
    assert document["already"] == document["refused"] == []


def test_stated_facts_are_the_runs_facts(cli: Cli, tmp_path: Path) -> None:
    """What the tester states once holds for the run, as typed."""
    (file,) = write_exports(tmp_path, 1)
    facts = {
        "--device": "PB-07", "--port": "C1", "--mode": "fixed 5 V", "--kind": "discharge", "--load": "7.5 W",
        "--ambient": "21.5", "--meter": "M2", "--started": "2026-02-11T14:03:00+01:00", "--note": "first of three",
    }  # fmt: skip
    assert cli("import", file, *[word for pair in facts.items() for word in pair]).status == 0
    (run,) = cli("runs", "--json").json()
    assert run["device"] == "PB-07"
    assert run["port"] == "C1"
    assert run["mode"] == "fixed 5 V"
    assert run["load_set"] == "7.5 W"
    assert run["ambient_c"] == 21.5
    assert run["meter"] == "M2"
    assert run["note"] == "first of three"
    assert run["started_at"].startswith("2026-02-11T13:03:00")


def test_the_same_bytes_are_imported_once(cli: Cli, tmp_path: Path) -> None:
    """Under another name too; the second import says which run it was, with status 0."""
    (file,) = write_exports(tmp_path, 1)
    first = cli("import", file, "--json").json()["imported"][0]["run_id"]
    copy = tmp_path / "copy.csv"
    copy.write_bytes(file.read_bytes())
    again = cli("import", copy, "--json")
    assert again.status == 0
    assert again.json() == {"imported": [], "already": [{"file": str(copy), "run_ids": [first]}], "refused": []}
    assert len(cli("runs", "--json").json()) == 1


def test_a_dry_run_reads_everything_and_stores_nothing(cli: Cli, tmp_path: Path) -> None:
    """It counts the samples that an import would store; the library stays empty."""
    (file,) = write_exports(tmp_path, 1)
    said = cli("import", file, "--dry-run")
    assert "40 samples in 1 run" in said.out
    assert cli("runs", "--json").json() == []


def test_a_folder_gives_its_exports_in_order_and_counts_the_rest(tmp_path: Path) -> None:
    """Endings decide; packed ones count, hidden ones don't."""
    names = ("b.csv", "a.TXT", "deep/c.tsv.gz", "notes.md", ".hidden.csv", ".git/d.csv", "e.csv.zst")
    for name in names:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("x")
    found = find_files([tmp_path])
    assert [file.relative_to(tmp_path).as_posix() for file in found.files] == [
        "a.TXT", "b.csv", "deep/c.tsv.gz", "e.csv.zst",
    ]  # fmt: skip
    assert [file.name for file in found.passed_over] == ["notes.md"]


def test_processes_are_started_only_where_they_pay(tmp_path: Path) -> None:
    """A few small files are read here; many, or few large ones, on all cores."""
    files = write_exports(tmp_path, 110, rows=2)
    assert workers_for(files[:10], cores=4) == 1
    assert workers_for(files, cores=4) == 4
    assert workers_for(files, cores=1) == 1
    large = tmp_path / "large.csv"
    with large.open("wb") as stream:
        stream.truncate(100_000_000)
    assert workers_for([large], cores=4) == 1
    assert workers_for([large, files[0]], cores=4) == 2


def test_side_by_side_gives_what_one_by_one_gives(tmp_path: Path) -> None:
    """Two processes into one library: every file once, the same figures; a refused one ends nothing."""
    files = write_exports(tmp_path / "logs", 6)
    files[3].write_bytes(b"")
    order = Order(Facts(device="PB-01", kind="discharge"))
    energies = []
    for name, workers in (("one", 1), ("two", 2)):
        library = Library.create(tmp_path / name, zone="UTC")
        outcomes = import_files(library, files, order, lambda _done, _total: None, workers=workers)
        assert [outcome.status for outcome in outcomes] == ["imported"] * 3 + ["refused"] + ["imported"] * 2
        assert [outcome.file for outcome in outcomes] == [str(file) for file in files]
        runs = library.runs.page(limit=None).table.to_pylist()
        energies.append(sorted(run["energy_wh"] for run in runs))
        assert library.maintenance.verify() == []
    assert energies[0] == energies[1]
    assert len(energies[0]) == 5


def test_ctrl_c_waits_for_the_end_of_a_commit() -> None:
    """What is begun is done first; then the interrupt comes as it would have."""
    done = []

    def begun() -> None:
        with undisturbed():
            signal.raise_signal(signal.SIGINT)
            done.append("whole")

    with pytest.raises(KeyboardInterrupt):
        begun()
    assert done == ["whole"]
    with pytest.raises(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)


@pytest.mark.skipif(os.name == "nt", reason="POSIX signals")
def test_ctrl_c_leaves_finished_files_imported_and_says_what_was_not(tmp_path: Path) -> None:
    """Stopped in the middle: status 130, every file told of, the library whole; the same command finishes the job."""
    folder, place = tmp_path / "logs", tmp_path / "library"
    files = write_exports(folder, 112, rows=12)  # as many as two processes share
    Library.create(place, zone="UTC")
    words = ("--library", place, "import", folder, "--json")
    with started(*words) as child:
        deadline = time.monotonic() + 60
        while not any((place / "traces" / "runs").iterdir()) and child.poll() is None:
            assert time.monotonic() < deadline
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=60)
    assert b"Traceback" not in err
    assert child.returncode == 130, err
    document = json.loads(out)
    imported = {entry["file"] for entry in document["imported"]}
    left = {entry["file"] for entry in document["refused"]}
    assert imported
    assert left
    assert imported | left == {str(file) for file in files}
    assert all("stopped" in entry["reason"] for entry in document["refused"])
    library = Library.open(place)
    assert library.runs.page(limit=1).total == len(imported)
    assert library.maintenance.verify() == []
    again = import_files(library, files, Order(), lambda _done, _total: None, workers=1)
    assert [outcome.status for outcome in again].count("imported") == len(left)
    assert [outcome.status for outcome in again].count("already") == len(imported)
    assert library.runs.page(limit=1).total == len(files)
