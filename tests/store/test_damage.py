"""Bits that flip and files that are cut short: `verify` finds each of them, and nothing ends in a traceback.

Numbers of the long run: 1,000 flips over traces, 300 over originals, 300 over the catalogue, 64 even cuts and the last
64 bytes of each kind of file. One flipped bit gave silently wrong values in two thirds of trials with every reader.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import duckdb
import numpy as np
import pytest

from store import DiskFault, Library, StoreError
from store.catalogue import connection
from store.catalogue.log_check import passes_over_commits
from tests.builders import add_run, make_run, make_store, write_export


@pytest.fixture
def library(tmp_path: Path) -> Library:
    library = make_store(tmp_path, 2, samples=100)
    library.maintenance.pack()
    add_run(library, write_export(tmp_path, "late.csv"), make_run(90))
    fresh = library.layout.tmp / "fresh.duckdb"  # of blocks that are all in use: one that is free holds nothing to lose
    engine = duckdb.connect()
    engine.execute(f"ATTACH '{library.layout.catalogue}' AS old (READ_ONLY)")
    engine.execute(f"ATTACH '{fresh}' AS fresh")
    engine.execute("COPY FROM DATABASE old TO fresh")
    engine.close()
    fresh.replace(library.layout.catalogue)
    return library


def findings(library: Library) -> list[str]:
    """What somebody who opens the library and verifies it is told: sentences, never an exception of another kind."""
    try:
        return [finding.code for finding in Library.open(library.path).maintenance.verify()]
    except StoreError as error:
        return [f"{type(error).__name__}: {error}"]


def flip(file: Path, count: int, seed: int, library: Library) -> None:
    whole = file.read_bytes()
    rng = np.random.default_rng(seed)
    for at in rng.integers(0, len(whole), count):
        raw = bytearray(whole)
        raw[at] ^= 1 << int(rng.integers(8))
        file.write_bytes(raw)
        assert findings(library), f"{file.name}: byte {at}"
    file.write_bytes(whole)


def cut(file: Path, even: int, last: int, library: Library) -> None:
    whole = file.read_bytes()
    sizes = {len(whole) * part // even for part in range(even)} | {len(whole) - n for n in range(1, last + 1)}
    for size in sorted(size for size in sizes if size >= 0):
        file.write_bytes(whole[:size])
        assert findings(library), f"{file.name} cut to {size} of {len(whole)} bytes"
    file.write_bytes(whole)


def held(library: Library) -> dict[str, list[Path]]:
    layout = library.layout
    return {
        "traces": [*layout.runs.iterdir(), *layout.packs.iterdir()],
        "originals": list(layout.originals.iterdir()),
        "catalogue": [layout.catalogue],
    }


@pytest.mark.parametrize(("kind", "count"), [("traces", 24), ("originals", 12), ("catalogue", 12)])
def test_a_flipped_bit_is_found(library: Library, kind: str, count: int):
    files = held(library)[kind]
    for number, file in enumerate(files):
        flip(file, count // len(files), number, library)
        cut(file, 3, 1, library)
    assert findings(library) == []


@pytest.mark.long
@pytest.mark.parametrize(("kind", "count"), [("traces", 1000), ("originals", 300), ("catalogue", 300)])
def test_every_flipped_bit_and_every_cut_is_found(library: Library, kind: str, count: int):
    files = held(library)[kind]
    for number, file in enumerate(files):
        flip(file, count // len(files), 100 + number, library)
        cut(file, 64, 64, library)
    assert findings(library) == []


HEADER_BYTES = (0, 8, 9, 4096, 4104, 8192, 8200)


def test_a_damaged_header_of_the_catalogue_is_found_or_harmless(library: Library):
    """Two headers take turns: damage to the one that is not in use changes nothing, and nothing else goes unnoticed."""
    file = library.layout.catalogue
    whole = file.read_bytes()
    before = library.runs.frame()
    for at in HEADER_BYTES:
        raw = bytearray(whole)
        raw[at] ^= 1
        file.write_bytes(raw)
        if not findings(library):
            assert Library.open(library.path).runs.frame().equals(before), at
    file.write_bytes(whole)


def killed_with_a_log(library: Library) -> bytes:
    """End a process that has committed to the log and not folded it in; give the log."""
    code = (
        "import duckdb, os, sys; c = duckdb.connect(':memory:'); c.execute(f\"ATTACH '{sys.argv[1]}' AS l\"); "
        "c.execute(\"INSERT INTO l.meta VALUES ('a', 'b')\"); c.execute(\"INSERT INTO l.meta VALUES ('c', 'd')\"); "
        "os._exit(1)"
    )
    subprocess.run([sys.executable, "-c", code, str(library.layout.catalogue)], check=False)
    return library.layout.wal.read_bytes()


def test_a_log_that_the_engine_would_pass_over_is_kept_and_said(library: Library):
    """A log of garbage, and one whose first byte flipped, are ignored by the engine without a word: not by us."""
    whole = killed_with_a_log(library)
    wal = library.layout.wal
    for number, raw in enumerate((b"\x00" * 300, os.urandom(200), bytes([whole[0] ^ 1]) + whole[1:]), 1):
        wal.write_bytes(raw)
        again = Library.open(library.path)
        assert again.runs.page().total == 3
        assert any("log" in notice and "rebuild" in notice for notice in again.notices)
        kept = sorted(path.read_bytes() for path in library.path.glob("catalogue.duckdb.wal.unreadable-*"))
        assert raw in kept
        assert len(kept) == number
        assert {finding.code for finding in again.maintenance.verify(repair=True)} == {"log-aside"}
        wal.unlink(missing_ok=True)


def test_a_sound_log_is_replayed_without_a_word(library: Library):
    whole = killed_with_a_log(library)
    again = Library.open(library.path)
    assert again.notices == []
    with again.catalogue.reader() as cursor:
        assert cursor.execute("SELECT count(*) FROM catalogue.meta WHERE key IN ('a', 'c')").fetchall() == [(2,)]
    again.runs.edit([1], {"note": "folds it in"})
    assert not library.layout.wal.exists()
    assert passes_over_commits(whole) is False


@pytest.mark.parametrize("step", [1, pytest.param(0, marks=pytest.mark.long)])
def test_no_commit_in_a_log_is_lost_silently(library: Library, step: int):
    """Every byte flipped in turn (in the default run every ninth): the commits are there, or it is said."""
    whole = killed_with_a_log(library)
    wal, file = library.layout.wal, library.layout.catalogue
    catalogue = file.read_bytes()
    for at in range(0, len(whole), 9 if step else 1):
        raw = bytearray(whole)
        raw[at] ^= 1 << (at % 8)
        file.write_bytes(catalogue)
        wal.write_bytes(raw)
        again = Library.open(library.path)
        with again.catalogue.reader() as cursor:
            there = cursor.execute("SELECT count(*) FROM catalogue.meta WHERE key IN ('a', 'c')").fetchall()[0][0]
        assert there == 2 or again.notices, at
        for path in library.path.glob("catalogue.duckdb.wal*"):
            path.unlink()


def test_what_only_the_log_holds_is_in_a_backup(library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The copy's log is folded into it; where the disk refuses that, it is one sentence and nothing is left."""
    killed_with_a_log(library)
    locked = connection._locked

    def failing(place: Path) -> duckdb.DuckDBPyConnection:
        engine = locked(place)
        engine.execute("SET debug_checkpoint_abort = 'before_header'")
        return engine

    again = Library.open(library.path)
    with monkeypatch.context() as patch:
        patch.setattr(connection, "_locked", failing)
        with pytest.raises(DiskFault, match=r"^Copying the catalogue .* failed: [^\n]*$"):
            again.maintenance.backup(tmp_path / "all.tar")
    assert not list(library.layout.tmp.iterdir())
    again.maintenance.backup(tmp_path / "all.tar")
    back = Library.restore(tmp_path / "all.tar", tmp_path / "back")
    assert not back.layout.wal.exists()
    with back.catalogue.reader() as cursor:
        assert cursor.execute("SELECT count(*) FROM catalogue.meta WHERE key IN ('a', 'c')").fetchall() == [(2,)]


def test_a_log_that_was_cut_short_is_no_alarm(library: Library):
    """A process that ends while it writes leaves such a log; what is missing was never committed."""
    whole = killed_with_a_log(library)
    assert not any(passes_over_commits(whole[:size]) for size in range(len(whole)))


def test_damage_is_never_packed_nor_backed_up(library: Library, tmp_path: Path):
    (file,) = library.layout.runs.iterdir()
    raw = bytearray(file.read_bytes())
    raw[len(raw) // 2] ^= 4
    file.write_bytes(raw)
    add_run(library, write_export(tmp_path, "more.csv"), make_run(80))
    report = library.maintenance.pack()
    assert report.damaged == (file.relative_to(library.path).as_posix(),)
    with pytest.raises(StoreError, match="SHA-256"):
        library.maintenance.backup(tmp_path / "b.tar")
    assert [path.name for path in tmp_path.iterdir() if "b.tar" in path.name] == []


def test_saved_queries_and_profiles_are_in_a_backup(library: Library, tmp_path: Path):
    """What the tester made by hand is part of the library: profiles and queries."""
    (library.layout.profiles / "own.toml").write_text('name = "own"\n', encoding="utf-8")
    library.layout.queries.mkdir(exist_ok=True)
    (library.layout.queries / "best.sql").write_text("SELECT 1\n", encoding="utf-8")
    assert library.maintenance.verify() == []
    library.maintenance.backup(tmp_path / "all.tar")
    again = Library.restore(tmp_path / "all.tar", tmp_path / "again")
    assert (again.layout.queries / "best.sql").read_text(encoding="utf-8") == "SELECT 1\n"
    assert (again.layout.profiles / "own.toml").is_file()
    (again.layout.queries / "best.sql").write_bytes(b"\xff\xfe\x00")
    (again.layout.profiles / "own.toml").write_bytes(b"name = [")
    assert [finding.code for finding in again.maintenance.verify()] == ["own-file", "own-file"]


def test_queries_of_an_older_library_are_moved_and_none_is_written_over(library: Library, tmp_path: Path):
    """They came from the folder `questions`; one whose name is taken in `queries` stays readable where it is."""
    older = library.path / "questions"
    older.mkdir()
    library.layout.queries.mkdir()
    (older / "best.sql").write_text("SELECT 1", encoding="utf-8")
    (older / "taken.sql").write_text("SELECT 2", encoding="utf-8")
    (library.layout.queries / "taken.sql").write_text("SELECT 3", encoding="utf-8")
    for _ in range(2):
        again = Library.open(library.path)
        texts = [path.read_text(encoding="utf-8") for path in again.layout.saved_queries()]
        assert texts == ["SELECT 1", "SELECT 3", "SELECT 2"]
        assert (again.layout.queries / "best.sql").is_file()
    (older / "taken.sql").unlink()
    Library.open(library.path)
    assert not older.exists()
