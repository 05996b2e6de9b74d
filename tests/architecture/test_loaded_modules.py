"""What is loaded when a part of the program is: each part in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def loaded_after(statement: str, *, cwd: Path = ROOT) -> set[str]:
    """Names of the modules that are loaded in a new process after a statement."""
    code = f"import sys\n{statement}\nimport json\nprint(json.dumps(sorted(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=cwd)
    return set(json.loads(done.stdout.splitlines()[-1]))


@pytest.mark.parametrize(
    ("statement", "forbidden"),
    [
        ("import importers", ("duckdb", "textual", "rich", "typer", "store", "tui")),
        ("import importers.schema", ("duckdb", "textual", "rich", "typer", "store", "tui")),
        ("import store; store.Library", ("textual", "rich", "typer", "tui")),
        ("import tui.render.format", ("textual",)),
        ("import tui.render.plain", ("textual", "rich", "duckdb", "polars")),
        ("import store.imports.importer", ("textual", "rich")),
        ("import tui.cli.main", ("textual", "duckdb", "polars", "rich", "pyarrow")),
        ("import tui.app", ("duckdb", "pyarrow", "numpy", "polars", "typer", "importers", "tomlkit")),
    ],
)
def test_a_part_loads_nothing_that_it_must_not_know(statement: str, forbidden: tuple[str, ...]) -> None:
    """Importing a part brings none of the forbidden modules into the process."""
    loaded = loaded_after(statement)
    assert not [name for name in loaded if name.split(".")[0] in forbidden]


def test_view_models_load_no_textual() -> None:
    """Every module of tui/state can be imported without the screen's framework."""
    modules = sorted(p.stem for p in (ROOT / "tui" / "state").glob("*.py") if p.stem != "__init__")
    assert modules
    loaded = loaded_after("; ".join(f"import tui.state.{name}" for name in modules))
    assert "textual" not in loaded


def test_the_installed_program_brings_its_packages_and_the_demo(tmp_path: Path) -> None:
    """From an unrelated folder the four packages and the demo's manifest are found."""
    code = (
        "import tui, store, importers, demo_parquet\n"
        "from importlib.resources import files\n"
        "root = files('demo_parquet')\n"
        "assert (root / 'manifest.json').is_file()\n"
        "assert any(p.name.endswith('.parquet') for p in (root / 'traces').iterdir())\n"
        "assert any(p.is_file() for p in (root / 'exports').iterdir())\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
