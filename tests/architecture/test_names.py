"""One name, one meaning: no two public classes of the program are called alike."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_no_two_classes_are_called_alike() -> None:
    """Whoever reads a class's name anywhere knows which one is meant."""
    places: dict[str, list[str]] = defaultdict(list)
    for package in ("importers", "store", "tui", "demo_parquet"):
        for path in sorted((ROOT / package).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                    places[node.name].append(f"{path.relative_to(ROOT).as_posix()}:{node.lineno}")
    assert len(places) > 300, "the program's classes were not found"
    assert not {name: found for name, found in places.items() if len(found) > 1}


def test_few_files_lie_loose() -> None:
    """What belongs to a subject lies in its folder."""
    for package, most in (("store", 8), ("tui", 10)):
        loose = [path.name for path in (ROOT / package).iterdir() if path.is_file()]
        assert 4 < len(loose) <= most, loose
