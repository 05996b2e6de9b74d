"""`joulebook device` and `joulebook compare` as a person types them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from store import Library
from tui.cli.main import main

SHEET = """\
device = "PB-77"
kind = "power bank"
[rated]
capacity_mah = 10000
cell_voltage_v = 3.7
[mass_g]
device = 200
[[claim]]
quantity = "mass_g"
bound = "at most"
value = 210
unit = "g"
printed_on = "box [side]"
[[claim]]
text = "charges \\u001b[31m a phone [4] times"
"""


@pytest.fixture
def own(tmp_path: Path) -> list[str]:
    Library.create(tmp_path / "own")
    return ["--library", str(tmp_path / "own")]


def test_template_is_a_sheet_that_loads(own: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["device", "template"]) == 0
    file = tmp_path / "new.toml"
    file.write_text(capsys.readouterr().out, "utf-8")
    assert main([*own, "device", "load", str(file)]) == 0
    assert "PB-00 is new" in capsys.readouterr().err


def test_load_and_load_again_after_an_edit(own: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "pb.toml"
    file.write_text(SHEET, "utf-8")
    assert main([*own, "device", "load", str(file)]) == 0
    file.write_text(SHEET.replace("device = 200", "device = 260"), "utf-8")
    assert main([*own, "device", "load", str(file), "--reason", "weighed again"]) == 0
    assert "1 change" in capsys.readouterr().err
    change = Library.open(own[1]).amendments.all("device", ["PB-77"])[-1]
    assert (change.field, change.old_value, change.new_value, change.reason) == (
        "mass_g",
        "200.0",
        "260.0",
        "weighed again",
    )


def test_page_shows_brackets_and_escapes_literally(
    own: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "pb.toml"
    file.write_text(SHEET, "utf-8")
    main([*own, "device", "load", str(file)])
    capsys.readouterr()
    assert main([*own, "device", "show", "PB-77"]) == 0
    shown = capsys.readouterr().out
    assert "box [side]" in shown
    assert "a phone [4] times" in shown
    assert "\x1b" not in shown
    assert "not checkable" in shown


def test_good_sheets_are_loaded_though_others_are_bad(
    own: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good, bad, missing = tmp_path / "good.toml", tmp_path / "bad.toml", tmp_path / "none.toml"
    good.write_text(SHEET, "utf-8")
    bad.write_text(SHEET.replace("= 200", "= -200").replace("capacity_mah", "capacity_mha"), "utf-8")
    assert main([*own, "device", "load", str(good), str(bad), str(missing)]) == 1
    said = capsys.readouterr().err
    assert "line 7: `device = -200` can't be" in said
    assert "line 4: `capacity_mha` in [rated] is not a key of a device sheet. Did you mean `capacity_mah`?" in said
    assert "none.toml: not read" in said
    assert "2 sheets not loaded" in said
    assert [row.device for row in Library.open(own[1]).devices.all()] == ["PB-77"]


def test_question_needs_a_yes(own: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "odd.toml"
    file.write_text(SHEET.replace("[rated]", "[rated]\nenergy_wh = 50"), "utf-8")
    assert main([*own, "device", "load", str(file)]) == 1
    assert "--sure" in capsys.readouterr().err
    assert main([*own, "device", "load", str(file), "--sure"]) == 0
    assert Library.open(own[1]).devices.get("PB-77").rated_energy_wh == 50


def test_add_keeps_what_is_not_named(own: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*own, "device", "add", "CB-9"]) == 2
    assert main([*own, "device", "add", "CB-9", "--kind", "cable", "--mass", "33"]) == 0
    assert main([*own, "device", "add", "CB-9", "--note", "two metres"]) == 0
    sheet = Library.open(own[1]).devices.get("CB-9")
    assert (sheet.kind, sheet.mass_g, sheet.note) == ("cable", 33, "two metres")
    assert main([*own, "device", "add", "CB-9", "--mass", "-1"]) == 1
    assert "above 0" in capsys.readouterr().err


def test_page_that_can_be_read_out(demo_library: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--library", str(demo_library), "device", "show", "PB-03", "--load", "12"]) == 0
    shown = capsys.readouterr().out
    for words in ("not met", "not tested", "Missing: a group of discharge runs on C1 and A1", "12 W ", "CAUTION"):
        assert words in shown


def test_documents_are_json_and_nothing_else(demo_library: Path, capsys: pytest.CaptureFixture[str]) -> None:
    base = ["--library", str(demo_library)]
    assert main([*base, "device", "show", "PB-03", "--json"]) == 0
    page = json.loads(capsys.readouterr().out)
    assert {verdict["verdict"] for verdict in page["verdicts"]} == {"as marked", "met", "not met", "not tested"}
    assert main([*base, "device", "list", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)) == 16
    assert main([*base, "compare", "PB-05", "PB-06", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["rows"][0]["name"] == "energy_out_wh"


def test_comparison_that_can_be_read_out(demo_library: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--library", str(demo_library), "compare", "PB-03"]) == 0
    shown = capsys.readouterr().out
    assert "peers added: PB-02, PB-07" in shown
    assert "PB-07 most" in shown
    assert "Of this sample" in shown


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["device", "show", "PB-99"], 1, "No device PB-99"),
        (["device", "show", "PB-03", "--load", "0"], 2, "more than 0 W"),
        (["compare", "CB-01"], 1, "Name two devices"),
        (["compare", "PB-01", "PB-02", "--by", "enrgy_out_wh"], 1, "Did you mean energy_out_wh?"),
    ],
)
def test_what_is_not_there_is_one_sentence(
    demo_library: Path, capsys: pytest.CaptureFixture[str], words: list[str], status: int, said: str
) -> None:
    assert main(["--library", str(demo_library), *words]) == status
    captured = capsys.readouterr()
    assert said in captured.err
    assert captured.out == ""
