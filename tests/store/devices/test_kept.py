"""What is kept of devices for the next start is what a fresh look gives, and is made anew where anything changed."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from store import Library
from store.choose import candidates as candidates_module
from store.choose.candidates import candidates_for
from store.choose.terms import Term
from store.devices import page as page_module

WANTED = ("energy_out_wh", "wh_per_kg", "round_trip", "temperature_max_c", "price", "sustained_power_w")
TERMS = tuple(Term(name) for name in WANTED)


@pytest.fixture
def folder(demo_library: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(demo_library, tmp_path / "own"))


def kept_files() -> list[Path]:
    return sorted((Path(os.environ["XDG_CACHE_HOME"]) / "joulebook" / "devices").glob("*.msgpack"))


def both(folder: Path) -> tuple[object, object]:
    """As a process that starts now sees them."""
    library = Library.open(folder)
    return library.verdicts.all(), candidates_for(library, "power bank", TERMS)


def refuse(*_args: object, **_more: object) -> None:
    pytest.fail("looked at afresh")


def test_the_next_start_judges_nothing_again(folder, monkeypatch):
    found = both(folder)
    assert all(found)
    assert len(kept_files()) == 2
    monkeypatch.setattr(page_module, "judge_all", refuse)
    monkeypatch.setattr(candidates_module, "evidence_by_portions", refuse)
    assert both(folder) == found


def test_a_change_by_anyone_is_seen_at_the_next_start(folder):
    before, looked = both(folder)
    library = Library.open(folder)
    run = next(v.run_ids[0] for v in library.verdicts.all() if v.run_ids)
    library.runs.edit([run], {"quality": "rejected"}, reason="a test")
    after = both(folder)
    for file in kept_files():
        file.unlink()
    assert after == both(folder)
    assert after != (before, looked)


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: b"",
        lambda data: data[: len(data) // 2],
        lambda data: b"\xc1" * 100,
        lambda data: b"\x91" * 100_000,
        lambda data: data.replace(b"power", b"rewop"),
    ],
)
def test_a_kept_file_that_is_damaged_or_of_another_program_is_as_good_as_none(folder, damage, monkeypatch):
    found = both(folder)
    for file in kept_files():
        about = file.read_bytes().replace(b"verdicts", b"verdictz").replace(b"choose", b"chooze")
        file.write_bytes(damage(about))
    assert both(folder) == found


def test_a_folder_that_cannot_be_written_keeps_nothing_and_ends_nothing(folder, monkeypatch, tmp_path):
    (tmp_path / "a file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "a file"))
    assert all(both(folder))


def test_another_librarys_verdicts_are_never_taken(folder, tmp_path):
    """A copy elsewhere, changed behind the program's back, has marks of its own."""
    both(folder)
    other = Path(shutil.copytree(folder, tmp_path / "other"))
    library = Library.open(other)
    sheet = next(sheet for sheet in library.devices.sheets().values() if sheet.claims)
    library.devices.save(replace(sheet, claims=()))
    assert both(other)[0] != both(folder)[0]
