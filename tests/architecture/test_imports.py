"""The arrows of the house: tui -> store -> importers.schema, by reading every import statement."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
OURS = frozenset({"importers", "store", "tui", "demo_parquet"})


@dataclass(frozen=True)
class Rule:
    """What the files below a folder, or one file, may import beside the standard library and themselves."""

    place: str
    may: frozenset[str]


# The first rule whose place fits decides; a name covers all that lies below it.
RULES = (
    Rule("importers", frozenset({"importers", "numpy", "polars", "pyarrow", "tomlkit", "python_calamine"})),
    Rule(
        "store/imports",
        frozenset({"store", "importers", "duckdb", "numpy", "platformdirs", "polars", "pyarrow", "tomlkit"}),
    ),
    Rule("store/devices/kept.py", frozenset({"store", "duckdb", "msgspec", "platformdirs"})),
    Rule("store/sharing", frozenset({"store", "importers.schema", "deltalake", "duckdb", "pyarrow"})),
    Rule(
        "store",
        frozenset({"store", "importers.schema", "duckdb", "numpy", "platformdirs", "polars", "pyarrow", "tomlkit"}),
    ),
    Rule("tui/state/guide.py", frozenset({"store", "markdown_it"})),
    Rule("tui/state", frozenset({"tui.state", "tui.render", "store", "importers", "numpy", "polars", "pyarrow"})),
    Rule("tui/render/plain.py", frozenset()),
    Rule(
        "tui/render/pages",
        frozenset({"tui", "store", "importers", "numpy", "polars", "pyarrow", "jinja2", "markupsafe", "matplotlib"}),
    ),
    Rule("tui/render", frozenset({"tui.render", "tui.state", "store", "importers", "numpy", "polars", "pyarrow"})),
    Rule("tui/keys.py", frozenset({"textual.binding"})),
    Rule(
        "tui",
        frozenset({"tui", "store", "importers", "demo_parquet"})
        | frozenset({"numpy", "platformdirs", "polars", "pyarrow", "rich", "tomlkit", "typer"})
        | frozenset({"textual", "textual_fastdatatable", "textual_hires_canvas", "textual_plot"}),
    ),
    Rule("demo_parquet", frozenset({"demo_parquet", "store", "importers", "numpy", "polars", "pyarrow"})),
)


def imported_names(source: str, where: str) -> Iterator[tuple[str, int]]:
    """Every module name that a source file imports, also inside functions, with its line; relative ones resolved."""
    package = where.split("/")[:-1]
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) - node.level + 1] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            if base.split(".", maxsplit=1)[0] in OURS:
                yield from ((f"{base}.{alias.name}", node.lineno) for alias in node.names)
            else:
                yield base, node.lineno


def is_allowed(name: str, may: frozenset[str]) -> bool:
    """Whether a dotted name is the standard library's or lies in what a rule allows."""
    if name.split(".", maxsplit=1)[0] in sys.stdlib_module_names:
        return True
    return any(name == allowed or name.startswith(allowed + ".") for allowed in may)


def violations(source: str, may: frozenset[str], where: str) -> list[str]:
    """Sentences about imports that a rule does not allow."""
    return [
        f"{where}:{line} imports {name}" for name, line in imported_names(source, where) if not is_allowed(name, may)
    ]


def rule_for(path: str) -> Rule:
    """The rule that holds for a file, by its path from the top with `/`."""
    return next(rule for rule in RULES if path == rule.place or path.startswith(rule.place + "/"))


def source_files() -> list[Path]:
    """Every Python file of the program."""
    return sorted(path for package in OURS for path in (ROOT / package).rglob("*.py"))


def test_every_file_imports_only_what_its_place_allows() -> None:
    """importers know no store and no screen; store knows no screen; models know no Textual."""
    found = []
    for path in source_files():
        where = path.relative_to(ROOT).as_posix()
        found += violations(path.read_text("utf-8"), rule_for(where).may, where)
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    ("place", "line"),
    [
        ("importers/text/shape.py", "import duckdb"),
        ("importers/text/shape.py", "from store import Library"),
        ("importers/text/shape.py", "from rich.text import Text"),
        ("store/runs/listing.py", "from textual.app import App"),
        ("store/runs/listing.py", "import rich"),
        ("store/runs/listing.py", "from importers import read"),
        ("store/runs/listing.py", "from importers.text.shape import find_table"),
        ("store/runs/listing.py", "def late():\n    import tui.app"),
        ("tui/state/run_list.py", "from textual.widget import Widget"),
        ("tui/render/format.py", "import textual"),
        ("tui/screens/runs.py", "import duckdb"),
        ("tui/screens/runs.py", "import matplotlib"),
        ("tui/render/pages/html.py", "from textual.app import App"),
        ("importers/text/shape.py", "from ...store import Library"),
    ],
)
def test_the_rules_catch_an_arrow_that_points_back(place: str, line: str) -> None:
    """Each forbidden import is found where it stands, so a pass of the test above means something."""
    assert violations(line, rule_for(place).may, place)


def test_nothing_stands_at_the_top_but_what_the_house_names() -> None:
    """No other folder or file at the top than the agreed ones and what tools demand."""
    agreed = {
        "pyproject.toml", "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", ".gitignore", ".ci",
        "importers", "store", "tui", "tests", "demo_parquet",
    }  # fmt: skip
    ignored = {line.strip().rstrip("/") for line in (ROOT / ".gitignore").read_text("utf-8").splitlines()}
    here = {entry.name for entry in ROOT.iterdir()} - {".git"}
    assert {name for name in here - agreed - ignored if not name.endswith(".egg-info")} == set()
