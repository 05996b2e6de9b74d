"""All eight raw exports go in with the command that stands beside them, and give the figures that the model knows."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

import demo_parquet
from store import Library
from tui.cli.main import main

HOME = Path(str(demo_parquet.exports()))
EXPORTS = json.loads((HOME / "truth.json").read_text("utf-8"))["exports"]


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A library on UTC: some exports hold a local time without a zone, and were written on UTC."""
    path = tmp_path_factory.mktemp("exports") / "library"
    Library.create(path, zone="UTC")
    return path


def call(capsys: pytest.CaptureFixture[str], library: Path, *words: str) -> tuple[int, Any, str]:
    capsys.readouterr()
    status = main(["--library", str(library), *words])
    said = capsys.readouterr()
    return status, json.loads(said.out), said.err


@pytest.mark.parametrize("export", EXPORTS, ids=[export["file"] for export in EXPORTS])
def test_export_gives_the_models_figures(export, library, capsys):
    """Samples and span exactly; energy and charge within the tolerance argued in truth.json."""
    _, file, *facts = export["command"]
    status, document, told = call(capsys, library, "import", str(HOME / file), *facts, "--json")
    assert status == 0, (document, told)
    assert document["refused"] == []
    imported = {entry["port"]: entry for entry in document["imported"]}
    assert set(imported) == {run["port"] for run in export["runs"]}
    _, runs, _ = call(capsys, library, "runs", "--json")
    by_id = {run["run_id"]: run for run in runs}
    for expected in export["runs"]:
        entry = imported[expected["port"]]
        run = by_id[entry["run_id"]]
        assert entry["samples"] == expected["samples"]
        assert entry["span_s"] == pytest.approx(expected["span_s"], abs=1e-6)
        assert run["direction"] == expected["direction"]
        assert run["energy_wh"] == pytest.approx(expected["energy_wh"], abs=expected["energy_tolerance_wh"])
        if expected["charge_ah"] is None:  # alternating current: amperes add up to no charge
            assert run["charge_ah"] is None
        else:
            assert run["charge_ah"] == pytest.approx(expected["charge_ah"], abs=expected["charge_tolerance_ah"])
        started = run["started_at"] and run["started_at"][:19].replace(" ", "T")
        if expected["start_is_in"] == "rows":
            assert started == expected["started_at"]
        else:  # a date in the preamble may be passed over, never misread
            assert started in {None, expected["started_at"]}


def test_the_same_bytes_are_not_imported_twice(library, capsys):
    _, file, *facts = EXPORTS[0]["command"]
    call(capsys, library, "import", str(HOME / file), *facts, "--json")
    status, document, _ = call(capsys, library, "import", str(HOME / file), *facts, "--json")
    assert status == 0
    assert document["imported"] == []
    assert [entry["file"].endswith(file) for entry in document["already"]] == [True]


def test_exports_differ_in_make():
    """Separators, decimal marks, encodings, clocks and number of ports, as listed; not one file in eight dresses."""
    contents = {export["file"]: (HOME / export["file"]).read_bytes() for export in EXPORTS}
    assert len(contents) == 8
    assert sum(content.startswith(b"\xef\xbb\xbf") for content in contents.values()) == 1
    assert sum(content.startswith(b"\xff\xfe") for content in contents.values()) == 1
    assert sum(b"\xb0C" in content and b"\xc2\xb0C" not in content for content in contents.values()) == 1
    assert sum(b"\t" in content for content in contents.values()) == 2
    assert sum(b";" in content for content in contents.values()) == 3
    assert sum(len(export["runs"]) == 2 for export in EXPORTS) == 3
    assert {run["direction"] for export in EXPORTS for run in export["runs"]} == {"in", "out"}
