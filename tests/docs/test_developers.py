"""DEVELOPERS.md names files that exist: a map that lies is worse than none."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "DEVELOPERS.md").read_text("utf-8")
PLACES = ("importers", "store", "tui", "tests")
FILES = sorted(set(re.findall(r"`((?:[\w.]+/)*[\w.*]+\.(?:py|toml|tcss|sql)|(?:[\w.]+/)+)(?::[\w.]+)?`", TEXT)))


def test_the_map_names_files() -> None:
    """The pattern finds what it should."""
    assert {"tui/cli/main.py", "importers/vocabulary/", "store/methods/registry.py"} <= set(FILES)


@pytest.mark.parametrize("name", FILES)
def test_a_named_file_exists(name: str) -> None:
    """Each path stands at the top, or somewhere below one of the folders of code."""
    assert (ROOT / name).exists() or any(next((ROOT / place).rglob(name.rstrip("/")), None) for place in PLACES), name


def test_functions_named_with_their_file_exist() -> None:
    """`file.py:name` leads to a definition of that name."""
    for file, name in re.findall(r"`([\w/]+\.py):(\w+)`", TEXT):
        text = (ROOT / file).read_text("utf-8")
        assert re.search(rf"^(?:def |class |async def )?{name}\b", text, re.MULTILINE), (file, name)
