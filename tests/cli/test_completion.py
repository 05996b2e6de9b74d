"""What the shell offers: asked of the program as a shell asks it, in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from store import Library


def offered(library: Path, line: str) -> list[str]:
    """The words offered at the end of a line, by one shell's way of asking."""
    asked = {
        "_JOULEBOOK_COMPLETE": "complete_fish",
        "_TYPER_COMPLETE_ARGS": line,
        "_TYPER_COMPLETE_FISH_ACTION": "get-args",
        "JOULEBOOK_LIBRARY": str(library),
    }
    done = subprocess.run(
        [sys.executable, "-m", "tui"], env=os.environ | asked, capture_output=True, text=True, check=False, timeout=60
    )
    assert done.stderr == ""
    return [row.split("\t")[0] for row in done.stdout.splitlines() if row]


@pytest.mark.parametrize(
    ("line", "query"),
    [
        ("joulebook import x.csv --device PB-0", "SELECT device FROM devices WHERE device LIKE 'PB-0%'"),
        ("joulebook edit 12 --port C", "SELECT DISTINCT port FROM ports WHERE port LIKE 'C%'"),
        ("joulebook runs device:AD", "SELECT DISTINCT 'device:' || device FROM devices WHERE device LIKE 'AD%'"),
    ],
)
def test_what_the_library_holds_is_offered(demo_library: Path, line: str, query: str) -> None:
    expected = Library.open(demo_library).sql.run(query).table.column(0).to_pylist()
    assert len(expected) > 1
    assert sorted(offered(demo_library, line)) == sorted(expected)


def test_kinds_and_filter_words_are_offered_without_a_library(tmp_path: Path) -> None:
    assert offered(tmp_path / "none", "joulebook edit 1 --kind re") == ["recharge", "regulation"]
    assert offered(tmp_path / "none", "joulebook runs po") == ["port:"]
    assert offered(tmp_path / "none", "joulebook import x --device P") == []
    assert not (tmp_path / "none").exists()
