"""Archives of a library: whole, the same on every system, and nothing comes out of one that its list does not name."""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import tarfile
from pathlib import Path

import pytest

from store import Library, NotALibrary, StoreError, WrongFact
from tests.store.trust.libraries import make_bench, sums


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_bench(tmp_path_factory.mktemp("bench")).path


@pytest.fixture
def library(kept: Path, tmp_path: Path) -> Library:
    return Library.open(shutil.copytree(kept, tmp_path / "store"), who="tester")


def archive_with(source: Path, target: Path, member: tarfile.TarInfo, content: bytes = b"") -> None:
    shutil.copy(source, target)
    with tarfile.open(target, "a:") as archive:
        archive.addfile(member, io.BytesIO(content))


def test_a_restore_takes_what_the_list_names_and_nothing_else(library: Library, tmp_path: Path):
    good = tmp_path / "good.tar"
    library.maintenance.backup(good)
    for number, name in enumerate(
        (
            "extra.txt",
            "profiles/../x.toml",
            "/etc/x",
            "profiles/more.toml",
            "traces/runs/more.parquet",
            "catalogue.duckdb",
        )
    ):
        info = tarfile.TarInfo(name)
        info.size = 3
        bad = tmp_path / f"bad{number}.tar"
        archive_with(good, bad, info, b"abc")
        with pytest.raises(NotALibrary):
            Library.restore(bad, tmp_path / f"out{number}")
        assert not (tmp_path / f"out{number}").exists()
    huge = tarfile.TarInfo("profiles/huge.toml")
    huge.size = 30 << 30
    raw = good.read_bytes().rstrip(b"\0")
    raw += b"\0" * (-len(raw) % 512)
    (tmp_path / "huge.tar").write_bytes(raw + huge.tobuf(tarfile.PAX_FORMAT) + b"x" * 512)
    with pytest.raises(NotALibrary):
        Library.restore(tmp_path / "huge.tar", tmp_path / "huge")
    assert sums(Library.restore(good, tmp_path / "again")) == sums(library)


LIST = "manifest.sha256"


def relisted(source: Path, target: Path, lists: dict[str, bytes]) -> None:
    """An archive with other lists of files at its end."""
    with tarfile.open(source) as old, tarfile.open(target, "w") as new:
        for member in old:
            if member.name != LIST:
                new.addfile(member, old.extractfile(member))
        for name, content in lists.items():
            info = tarfile.TarInfo(name)
            info.size = len(content)
            new.addfile(info, io.BytesIO(content))


def listed(archive: Path) -> bytes:
    with tarfile.open(archive) as held:
        return held.extractfile(LIST).read()


def test_the_list_in_a_backup_is_read_by_common_tools(library: Library, tmp_path: Path):
    """`sha256sum --check` of GNU coreutils, over what `tar` unpacks."""
    if shutil.which("sha256sum") is None:
        pytest.skip("no sha256sum here")
    library.maintenance.backup(tmp_path / "good.tar")
    with tarfile.open(tmp_path / "good.tar") as archive:
        archive.extractall(tmp_path / "out", filter="data")
    command = ["sha256sum", "--check", LIST]
    told = subprocess.run(command, cwd=tmp_path / "out", capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stderr
    assert told.stdout.count(": OK") == len(listed(tmp_path / "good.tar").splitlines()) > 3


def test_an_archive_of_an_older_program_is_restored(library: Library, tmp_path: Path):
    """Its list of files was one JSON document."""
    library.maintenance.backup(tmp_path / "good.tar")
    files = {line[66:]: line[:64] for line in listed(tmp_path / "good.tar").decode().splitlines()}
    old = {"manifest.json": json.dumps({"format": 1, "program_version": "0.1", "files": files}).encode()}
    relisted(tmp_path / "good.tar", tmp_path / "old.tar", old)
    assert sums(Library.restore(tmp_path / "old.tar", tmp_path / "again")) == sums(library)
    assert Library.open(tmp_path / "again").maintenance.verify() == []


def test_files_that_are_one_file_on_the_disk_are_in_a_backup_whole(library: Library, tmp_path: Path):
    """A tool that saves room makes equal files one: an archive must not point from one member to another."""
    twin = library.layout.profiles / "one.toml"
    twin.write_text("# a note\n")
    os.link(twin, library.layout.profiles / "two.toml")
    library.maintenance.backup(tmp_path / "good.tar")
    back = Library.restore(tmp_path / "good.tar", tmp_path / "again")
    assert [path.read_text() for path in back.layout.own_files()] == ["# a note\n"] * 2


@pytest.mark.parametrize("name", ["a:b.toml", "a\\b.toml", "a\nb.toml", os.fsdecode(b"a\xff.toml")])
def test_what_no_restore_would_take_is_not_backed_up(library: Library, tmp_path: Path, name: str):
    path = library.layout.profiles / name
    path.write_text("# a note\n")
    with pytest.raises(WrongFact, match="back up again"):
        library.maintenance.backup(tmp_path / "all.tar")
    assert not list(tmp_path.glob("*.tar*"))
    path.rename(path.with_name("plain.toml"))  # as it advises
    library.maintenance.backup(tmp_path / "all.tar")
    assert Library.restore(tmp_path / "all.tar", tmp_path / "again").layout.own_files()


@pytest.mark.parametrize(
    "text", ["", "[]", '{"files": 3}', '{"files": []}', "{" * 50000, '{"files": {"a": null}}', "\x00"]
)
@pytest.mark.parametrize("name", [LIST, "manifest.json"])
def test_a_malformed_list_of_files_is_no_backup(library: Library, tmp_path: Path, text: str, name: str):
    library.maintenance.backup(tmp_path / "good.tar")
    relisted(tmp_path / "good.tar", tmp_path / "bad.tar", {name: text.encode()})
    with pytest.raises(StoreError):
        Library.restore(tmp_path / "bad.tar", tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("change", ["one fewer", "one more", "another hash", "another order", "both lists", "twice"])
def test_a_list_that_tells_other_files_is_no_backup(library: Library, tmp_path: Path, change: str):
    library.maintenance.backup(tmp_path / "good.tar")
    lines = listed(tmp_path / "good.tar").splitlines(keepends=True)
    lists = {
        "one fewer": {LIST: b"".join(lines[:-1])},
        "one more": {LIST: b"".join(lines) + b"0" * 64 + b"  profiles/more.toml\n"},
        "another hash": {LIST: b"0" * 64 + b"".join(lines)[64:]},
        "another order": {LIST: b"".join(lines[::-1])},
        "both lists": {LIST: b"".join(lines), "manifest.json": b"{}"},
        "twice": {LIST: b"".join(lines), "profiles/../" + LIST: b""},
    }[change]
    relisted(tmp_path / "good.tar", tmp_path / "bad.tar", lists)
    with pytest.raises(StoreError):
        Library.restore(tmp_path / "bad.tar", tmp_path / "out")
    assert not (tmp_path / "out").exists()
