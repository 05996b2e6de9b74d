"""Whoever sees old values move is told why, method by method."""

from __future__ import annotations

import importlib
import pkgutil
import tarfile
from pathlib import Path

import pytest

import store.methods
from store import Library
from store.methods.changes import method_changes
from store.methods.method import Method
from tui.cli.main import main


def test_each_method_above_its_first_version_says_what_changed() -> None:
    """And no other: a sentence about a method that is gone would be read by nobody."""
    versions: dict[str, int] = {}
    for module in pkgutil.iter_modules(store.methods.__path__):
        found = vars(importlib.import_module(f"store.methods.{module.name}")).values()
        versions |= {method.name: method.version for method in found if isinstance(method, Method)}
    assert set(method_changes()) == {name for name, version in versions.items() if version > 1}


def test_a_library_of_an_older_program_is_told_what_moves_and_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every result that moves by another version of its method has a reason; nothing is stored by looking."""
    packed = Path(__file__).parents[1] / "libraries" / "every-kind-schema-2.tar.xz"
    folder = tmp_path / "store"
    with tarfile.open(packed) as archive:
        archive.extractall(folder, filter="data")
    library = Library.open(folder)
    found = library.results.preview()
    newer = [change for change in found.changes if change.old_version and change.new_version]
    moved = [change for change in newer if change.old_version != change.new_version]
    assert moved
    assert all(change.reason == method_changes()[change.method] for change in moved)
    assert all(change.reason for change in found.changes)
    before = library.generation()
    assert main(["--library", str(folder), "recompute", "--dry-run"]) == 0
    text = capsys.readouterr().out
    assert "why they move" in text
    assert library.generation() == before
