"""No circle of files: what one file loads, at once or when first needed, never loads that file in turn."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
OURS = ("importers", "store", "tui", "demo_parquet")


def modules() -> dict[str, Path]:
    """Every file of the program, by its dotted name."""
    found = {}
    for package in OURS:
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def _is_for_types(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)


def _statements(node: ast.AST) -> Iterator[ast.Import | ast.ImportFrom]:
    """Imports below a node, also inside functions; not those for types alone."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Import | ast.ImportFrom):
            yield child
        elif _is_for_types(child):
            for other in getattr(child, "orelse", []):
                yield from _statements(ast.Module([other], []))
        else:
            yield from _statements(child)


def loads(source: str, package: str, known: Mapping[str, object]) -> set[str]:
    """The files of the program that a file loads."""
    found = set()
    for node in _statements(ast.parse(source)):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            above = package.split(".")[: len(package.split(".")) - node.level + 1] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            names = [f"{base}.{a.name}" if f"{base}.{a.name}" in known else base for a in node.names]
        found |= {name for name in names if name in known}
    return found


def circles(arrows: Mapping[str, set[str]]) -> list[list[str]]:
    """Ways that lead back to where they began, one for each file that lies on one."""
    found = []
    for start in sorted(arrows):
        before: dict[str, str] = {}
        waiting = [start]
        while waiting and start not in before:
            here = waiting.pop()
            for there in sorted(arrows[here] - before.keys()):
                before[there] = here
                waiting.append(there)
        if start in before:
            way = [start, before[start]]
            while way[-1] != start:
                way.append(before[way[-1]])
            found.append(way[::-1])
    return found


def _arrows() -> dict[str, set[str]]:
    known = modules()
    return {
        name: loads(path.read_text("utf-8"), name if path.name == "__init__.py" else name.rpartition(".")[0], known)
        - {name}
        for name, path in known.items()
    }


def test_no_file_loads_one_that_loads_it() -> None:
    """Type-only imports aside, the files of the program are in an order."""
    assert not circles(_arrows())


@pytest.mark.parametrize(
    ("files", "is_circle"),
    [
        ({"a": "import b", "b": "import c", "c": "from a import x"}, True),
        ({"a": "def late():\n    import b", "b": "import a"}, True),
        ({"a": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import b", "b": "import a"}, False),
        ({"a": "try:\n    import b\nexcept ImportError:\n    import c", "b": "", "c": "import b"}, False),
        ({"a": "import b\nimport c", "b": "import d", "c": "import d", "d": ""}, False),
        ({"a": "import b", "b": "import c", "c": "import b"}, True),
    ],
)
def test_a_circle_is_found_and_nothing_else(files: dict[str, str], *, is_circle: bool) -> None:
    """Also through a third file and inside functions; an import for types is none."""
    arrows = {name: loads(source, "", files) - {name} for name, source in files.items()}
    assert bool(circles(arrows)) is is_circle


def test_only_the_front_door_knows_the_library() -> None:
    """Services and all below them take a `Store`: none loads or names `Library`, not even as a type."""
    said = []
    for name, path in modules().items():
        if not name.startswith("store.") or name == "store.library":
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and any(alias.name == "Library" for alias in node.names):
                said.append(f"{name}:{node.lineno}")
            if isinstance(node, ast.Import | ast.ImportFrom) and "store.library" in ast.unparse(node):
                said.append(f"{name}:{node.lineno}")
    assert not said
