"""A result's name stands beside the function that computes it, and nowhere else: pages, lists and words are made."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from importers.schema import CHANNEL_NAMES
from store.methods.specs import specs
from store.model.sheet import DeviceSheet
from store.sql.views import MAIN_RESULTS, RUN_COLUMNS

ROOT = Path(__file__).resolve().parents[2]

FREE = ("store/methods/", "store/judge/", "store/sql/", "store/validation/", "tui/state/run_columns.py")
"""Where results are computed, judged, asked for in SQL and checked; and the columns of the list, which shows before
the engine is loaded."""


def literals(source: str) -> Iterator[tuple[str, int]]:
    """Texts of a source file with their lines, the names of functions in `__all__` aside."""
    for statement in ast.parse(source).body:
        if isinstance(statement, ast.Assign) and ast.unparse(statement.targets[0]) == "__all__":
            continue
        yield from _texts(statement)


def _texts(statement: ast.stmt) -> Iterator[tuple[str, int]]:
    for node in ast.walk(statement):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value, node.lineno


def result_names() -> set[str]:
    """Names of results that mean nothing else: no channel, no field of a sheet, no fact of a run, no plain word."""
    facts = set(RUN_COLUMNS) - set(MAIN_RESULTS)
    other = {*CHANNEL_NAMES, *DeviceSheet.__dataclass_fields__, "volume_cm3", *facts}
    return {name for name in specs() if "_" in name} - other


def misplaced(source: str, where: str) -> list[str]:
    """Names of results that stand as texts in a file that should take them from a spec."""
    if where.startswith(FREE) or where.endswith("_sql.py"):
        return []
    names = result_names()
    return [f"{where}:{line} has {text}" for text, line in literals(source) if text in names]


def test_a_results_name_stands_beside_its_function_only() -> None:
    """Elsewhere it is a spec's `.name`, so that renaming or adding a result is one file."""
    found: list[str] = []
    for folder in ("store", "tui"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            found += misplaced(path.read_text("utf-8"), path.relative_to(ROOT).as_posix())
    assert not found, "\n".join(found)


@pytest.mark.parametrize("name", ["energy_out_wh", "round_trip", "held_s", "temperature_max_c", "sustained_power_w"])
def test_a_name_put_elsewhere_is_found(name: str) -> None:
    """So that a pass of the test above means something."""
    assert misplaced(f'TABLE = ("{name}",)', "tui/state/somewhere.py")
    assert not misplaced(f'TABLE = ("{name}",)', "store/methods/somewhere.py")
