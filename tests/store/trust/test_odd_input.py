"""What ended in "Something went wrong inside", or left something behind: each is one sentence now."""

from __future__ import annotations

import os
from pathlib import Path

import pyarrow as pa
import pytest

from store import Library, NotALibrary
from store.publish.tables import flat
from tests.store.trust.libraries import make_bench
from tui.cli.main import main

SHEETS = {
    "nested": "device = " + "[" * 20000 + "]" * 20000,
    "digits": 'device = "PB-8"\nkind = "power bank"\n[mass_g]\ndevice = ' + "9" * 5000,
    "inline": "a = " + "{b = " * 5000 + "1" + "}" * 5000,
}


@pytest.fixture
def call(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    library = make_bench(tmp_path, runs=2)

    def run(*words: str) -> str:
        capsys.readouterr()
        assert main([*words, "--library", str(library.path)]) != 0
        told = "".join(capsys.readouterr())
        assert "Something went wrong inside" not in told
        return told

    return run


@pytest.mark.parametrize("name", sorted(SHEETS))
def test_a_sheet_that_no_reader_can_take_is_one_sentence(call, tmp_path: Path, name: str):
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(SHEETS[name], encoding="utf-8")
    assert "TOML" in call("device", "load", str(sheet))


def test_times_beyond_all_reckoning_are_refused(call, tmp_path: Path):
    export = tmp_path / "far.csv"
    export.write_text("Time [s],Voltage [V],Current [A]\n0,5,1\n1e302,5,1\n2e302,5,1\n", encoding="utf-8")
    assert "far.csv" in call("import", str(export))


@pytest.mark.skipif(os.name == "nt", reason="a name there can't hold these signs")
@pytest.mark.parametrize("sign", ["?", "\\"])
def test_a_folder_that_the_engine_can_not_open_is_refused_and_nothing_is_left(tmp_path: Path, sign: str):
    with pytest.raises(NotALibrary, match="can't hold a library"):
        Library.create(tmp_path / f"odd{sign}name" / "lib")
    assert list(tmp_path.iterdir()) == []


def test_text_of_a_table_runs_in_no_spreadsheet_and_steers_no_terminal():
    table = pa.table({"note": ['=HYPERLINK("x")', "\x1b[31mred", "plain", None, "@cmd"], "n": [1, 2, 3, 4, 5]})
    assert flat(table).column("note").to_pylist() == ['\'=HYPERLINK("x")', "\u241b[31mred", "plain", None, "'@cmd"]
