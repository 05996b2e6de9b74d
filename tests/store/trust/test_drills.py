"""Drills: a fault is caused, the printed advice followed word for word, and what is there counted afterwards."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from store import Library, StoreError
from tests.store.trust.libraries import change, everything, flip, make_bench, originals, sums, write_log
from tui.cli.main import main


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_bench(tmp_path_factory.mktemp("bench")).path


@pytest.fixture
def bench(kept: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(kept, tmp_path / "store"))


@pytest.fixture
def run(bench: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """A command as a person types it, on the bench's library; what it printed."""

    def call(*words: str, status: int | None = None) -> str:
        capsys.readouterr()
        ended = main([*words, "--library", str(bench)])
        told = "".join(capsys.readouterr())
        assert "Something went wrong inside" not in told
        assert "Traceback" not in told
        if status is not None:
            assert ended == status, told
        return told

    return call


def advised(told: str) -> list[list[str]]:
    """Commands of ours that a text names, without the program's own name."""
    return [found.split()[1:] for found in re.findall(r"`(joulebook [a-z][^`]*)`", told)]


def opened(bench: Path) -> Library:
    return Library.open(bench, who="tester")


def follow(run: Callable[..., str], told: str) -> None:
    """Do what is advised, in the order in which it stands there."""
    done = []
    for words in advised(told):
        if words not in done and "NAME" not in words:
            run(*words)
            done.append(words)
    assert done, told


@pytest.mark.parametrize("file", ["traces/runs", "traces/packs"])
@pytest.mark.parametrize("fault", ["bit", "cut", "gone"])
def test_a_damaged_trace_is_made_again(bench: Path, run, file: str, fault: str):
    before = everything(opened(bench))
    if file.endswith("packs"):
        opened(bench).maintenance.pack()
    victim = min((bench / file).iterdir())
    if fault == "bit":
        flip(victim)
    elif fault == "cut":
        victim.write_bytes(victim.read_bytes()[:-700])
    else:
        victim.unlink()
    told = run("verify", status=1)
    follow(run, told)
    assert run("verify", status=0).strip() == "No problems found."
    assert everything(opened(bench)) == before


def test_a_damaged_original_is_put_back_by_importing_its_file_again(bench: Path, run, tmp_path: Path):
    before = everything(opened(bench))
    export = write_log(tmp_path / "again.csv", seed=0)
    for fault in ("bit", "gone"):
        victim = next(path for path in (bench / "originals").iterdir() if is_of(path, export))
        flip(victim) if fault == "bit" else victim.unlink()
        told = run("verify", status=1)
        assert "Import the export's own file again" in told
        run("import", str(export), status=0)
        assert run("verify", status=0).strip() == "No problems found."
        assert everything(opened(bench)) == before


def is_of(stored: Path, export: Path) -> bool:
    import hashlib

    return stored.name.startswith(hashlib.sha256(export.read_bytes()).hexdigest())


def test_a_damaged_trace_without_its_original_loses_nothing_by_trying(bench: Path, run):
    before = sums(opened(bench))
    for path in (bench / "originals").iterdir():
        path.unlink()
    victim = min((bench / "traces/runs").iterdir())
    for share in (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6):  # wherever the samples lie: a bit beside them is rescued
        flip(victim, share)
    bytes_before = victim.read_bytes()
    told = run("verify", "--repair", status=1)
    assert "could not be recreated" in told
    assert victim.read_bytes() == bytes_before
    assert len([1 for _ in (bench / "traces/runs").iterdir()]) == len(before)


@pytest.mark.parametrize("fault", ["gone", "zeros", "cut", "first block", "foreign"])
def test_a_lost_catalogue_comes_back_with_all_that_only_it_held(bench: Path, run, fault: str):
    library = opened(bench)
    library.runs.delete([3], reason="wrong port")
    before = everything(library)
    catalogue = library.layout.catalogue
    whole = catalogue.read_bytes()
    if fault == "gone":
        catalogue.unlink()
    elif fault == "zeros":
        catalogue.write_bytes(bytes(len(whole)))
    elif fault == "cut":
        catalogue.write_bytes(whole[: len(whole) // 3])
    elif fault == "first block":
        (bench / "catalogue.duckdb.before").unlink()
        catalogue.write_bytes(whole[:12288] + b"\x5a" * 5000 + whole[17288:])
    else:
        change(library, "CREATE VIEW extra AS SELECT 1 AS one", "DROP TABLE claim")
    told = run("runs", status=1)
    assert "rebuild" in told
    follow(run, told)
    assert everything(opened(bench)) == before
    run("verify", status=0)
    run("verify", "--repair", status=0)
    assert everything(opened(bench)) == before


def test_an_older_catalogue_beside_newer_files(bench: Path, run, tmp_path: Path):
    """A sync conflict or a file-level backup: the catalogue of this morning beside the files of this evening."""
    shutil.copy(bench / "catalogue.duckdb", tmp_path / "older.duckdb")
    for number in range(3):
        run("import", str(write_log(tmp_path / f"late{number}.csv", seed=50 + number)), "--device", "PB-02", status=0)
    run("edit", "2", "note=late", "--reason", "as seen")
    library = opened(bench)
    library.maintenance.pack()
    before = everything(library)
    shutil.copy(tmp_path / "older.duckdb", bench / "catalogue.duckdb")
    told = run("verify")
    follow(run, told)
    after = everything(opened(bench))
    for name in before:
        if name != "results":
            assert after[name] == before[name], name
    run("recompute")
    assert everything(opened(bench))["results"] == before["results"]
    run("verify", status=0)
    assert not any(path.suffix == ".parquet" and not path.stat().st_size for path in bench.rglob("*"))


def test_an_older_catalogue_and_no_journal(bench: Path, run, tmp_path: Path):
    shutil.copy(bench / "catalogue.duckdb", tmp_path / "older.duckdb")
    for number in range(3):
        run("import", str(write_log(tmp_path / f"late{number}.csv", seed=50 + number)), "--device", "PB-02", status=0)
    opened(bench).maintenance.pack()
    before = everything(opened(bench))
    shutil.copy(tmp_path / "older.duckdb", bench / "catalogue.duckdb")
    shutil.rmtree(bench / "journal")
    follow(run, run("verify", status=1))
    after = everything(opened(bench))
    assert after["sums"] == before["sums"]
    assert after["originals"] == before["originals"]
    run("verify", status=0)


@pytest.mark.parametrize("command", [("rebuild",), ("verify", "--repair")])
def test_another_benchs_files_under_taken_numbers(bench: Path, run, tmp_path: Path, command: tuple[str, ...]):
    """Whose a run is, its uid tells: both benches have runs 1 to 3."""
    other = make_bench(tmp_path / "..", "other-" + command[0], runs=3, first_seed=900, device="PB-77")
    mine, theirs = sums(opened(bench)), sums(other)
    facts_before = everything(opened(bench))
    for folder in ("traces/runs", "originals"):
        for path in (other.path / folder).iterdir():
            shutil.copy(path, bench / folder / path.name)
    told = run("verify", status=1)
    assert "--repair" in told
    run(*command)
    after = opened(bench)
    assert {uid: count for uid, (count, _) in sums(after).items()} == {
        uid: count for uid, (count, _) in (mine | theirs).items()
    }
    assert sums(after) == mine | theirs
    assert originals(after) >= originals(other)
    run("verify", "--repair")
    run("verify", status=0)
    assert everything(opened(bench))["device"] == facts_before["device"]
    assert sums(opened(bench)) == mine | theirs
    shutil.rmtree(other.path)


def test_what_belongs_to_nothing_is_set_aside_with_a_line_of_why(bench: Path, run):
    strays = {
        "traces/runs/" + "a" * 32 + ".parquet": b"no trace at all",
        "traces/packs/99.parquet": b"PAR1",
        "originals/" + "0" * 64 + ".csv.zst": b"no original",
        "traces/runs/notes.txt": b"somebody's own notes",
    }
    before = everything(opened(bench))
    for name, content in strays.items():
        (bench / name).write_bytes(content)
    follow(run, run("verify", status=1))
    run("verify", status=0)
    assert everything(opened(bench)) == before
    for name, content in strays.items():
        assert (bench / "set_aside" / Path(name).name).read_bytes() == content
    why = (bench / "set_aside" / "why.tsv").read_text(encoding="utf-8").splitlines()
    assert len(why) == len(strays)
    assert all(line.count("\t") == 3 for line in why)


def test_a_deleted_run_does_not_come_back(bench: Path, run):
    library = opened(bench)
    victim = library.layout.absolute(library.runs.get(2).provenance.trace_file)
    content = victim.read_bytes()
    library.runs.delete([2], reason="wrong port")
    victim.write_bytes(content)
    before = everything(opened(bench))
    run("rebuild")
    assert everything(opened(bench)) == before
    run("verify", "--repair", status=0)
    assert everything(opened(bench)) == before
    assert (bench / "set_aside" / victim.name).read_bytes() == content


def test_no_advice_leads_to_a_command_that_is_none(bench: Path):
    """Every command that a sentence of the program names is one that it has."""
    from tui.cli.registry import COMMANDS

    known = {*COMMANDS, *(name.replace("_", "-") for name in COMMANDS)}
    known.add("check-page")  # named on a published page for its reader
    root = Path(__file__).resolve().parents[3]
    for folder in ("store", "tui", "importers"):
        for path in (root / folder).rglob("*.py"):
            for words in advised(path.read_text(encoding="utf-8")):
                assert words[0] in known or words[0].startswith("-"), (path.name, words)


def test_opening_what_a_fault_left_never_ends_in_another_error(bench: Path):
    """Each file of the library missing in turn: a sentence, or the library."""
    for path in sorted(path for path in bench.rglob("*") if path.is_file()):
        content = path.read_bytes()
        path.unlink()
        told = "joulebook"
        try:
            opened(bench).maintenance.verify()
        except StoreError as error:
            told = str(error)
        assert "joulebook" in told
        path.write_bytes(content)
    assert opened(bench).maintenance.verify() == []
