"""What a person can get wrong: one clear sentence, the right exit status, nothing stored, no traceback."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from tests.cli.conftest import Cli
from tui.cli.main import main

GOOD = "time (s),Voltage (V),Current (A)\n" + "".join(f"{t},{20 - t / 1000},{1.5}\n" for t in range(60))

BAD_FILES = {
    "empty": b"",
    "blank": b"\n\n   \n",
    "binary": bytes(range(256)) * 40,
    "no-table": b"Dear store,\nplease find the log on the other stick.\nRegards\n",
    "no-time": b"Voltage (V),Current (A)\n20.0,1.5\n19.9,1.5\n19.8,1.5\n",
    "no-quantity": b"time (s),mood,colour\n0,good,red\n1,bad,blue\n2,good,red\n",
}


@pytest.fixture
def export(tmp_path: Path) -> Path:
    """A plain export: seconds, volts, amps."""
    file = tmp_path / "good.csv"
    file.write_text(GOOD)
    return file


@pytest.mark.parametrize("name", BAD_FILES)
def test_a_file_that_is_no_export_is_refused_by_name(name: str, cli: Cli, tmp_path: Path) -> None:
    """`inspect` and `import` say which file and why; the library holds no run and no file of it."""
    file = tmp_path / f"{name}.csv"
    file.write_bytes(BAD_FILES[name])
    cli("import", file, "--device", "PB-01", "--kind", "discharge").assert_refused(file.name)
    assert cli("runs", "--json").json() == []
    assert not [f for f in Path(os.environ["JOULEBOOK_LIBRARY"], "originals").rglob("*") if f.is_file()]
    refused = cli("import", file, "--json")
    assert refused.status == 1
    assert [entry["file"] for entry in refused.json()["refused"]] == [str(file)]


@pytest.mark.parametrize("name", ["empty", "blank", "binary", "no-table"])
def test_inspect_refuses_what_holds_no_table(name: str, cli: Cli, tmp_path: Path) -> None:
    """No table, no document: status 1 and a sentence."""
    file = tmp_path / f"{name}.csv"
    file.write_bytes(BAD_FILES[name])
    cli("inspect", file).assert_refused(file.name)
    cli("inspect", file, "--json").assert_refused(file.name)


def test_a_last_line_cut_in_the_middle_is_told_and_left_out(cli: Cli, tmp_path: Path) -> None:
    """The samples before it are imported; `1.` of a cut `1.5` is never taken for a value."""
    file = tmp_path / "cut.csv"
    file.write_text(GOOD + "60,19.94,1.")
    imported = cli("import", file, "--device", "PB-01", "--kind", "discharge", "--json").json()["imported"]
    assert imported[0]["samples"] == 60
    assert imported[0]["warnings"]


def test_a_missing_file_is_named(cli: Cli, tmp_path: Path) -> None:
    """Status 1, the path, nothing else."""
    cli("import", tmp_path / "nowhere.csv").assert_refused("nowhere.csv")
    cli("inspect", tmp_path / "nowhere.csv").assert_refused("nowhere.csv")


def test_inspecting_a_folder_is_refused(cli: Cli, tmp_path: Path) -> None:
    """A folder is no export."""
    cli("inspect", tmp_path).assert_refused(tmp_path.name)


def test_importing_an_empty_folder_says_what_it_looked_for(cli: Cli, empty_folder: Path) -> None:
    """A folder without exports is no success."""
    cli("import", empty_folder).assert_refused(str(empty_folder), ".csv")


@pytest.mark.skipif(os.name == "nt" or not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root reads everything")
def test_an_unreadable_file_is_refused(cli: Cli, export: Path) -> None:
    """Permissions are told in the system's words."""
    export.chmod(0)
    cli("import", export).assert_refused(export.name)


def test_the_rest_is_done_where_one_file_is_refused(cli: Cli, export: Path, tmp_path: Path) -> None:
    """Status 1, one refused with its reason, the other imported."""
    bad = tmp_path / "empty.csv"
    bad.write_bytes(b"")
    said = cli("import", export, bad, "--device", "PB-01", "--kind", "discharge", "--json")
    assert said.status == 1
    document = said.json()
    assert [entry["file"] for entry in document["imported"]] == [str(export)]
    assert [entry["file"] for entry in document["refused"]] == [str(bad)]
    assert len(cli("runs", "--json").json()) == 1


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (("--kind", "dicharge"), ("dicharge", "discharge")),
        (("--started", "yesterday"), ("yesterday", "2026-02-11T14:03")),
        (("--zone", "Mars/Olympus"), ("Mars/Olympus",)),
        (("--answer", "novalue"), ("ID=VALUE",)),
        (("--ambient", "warm"), ("--ambient",)),
        (("--no-such-option",), ("--no-such-option",)),
    ],
)
def test_an_option_that_makes_no_sense_is_wrong_usage(
    words: tuple[str, ...], found: tuple[str, ...], cli: Cli, export: Path
) -> None:
    """Status 2 before anything is read or stored."""
    cli("import", export, *words).assert_refused(*found, status=2)
    assert not Path(os.environ["JOULEBOOK_LIBRARY"]).exists()


def test_an_unknown_profile_is_named_with_those_there_are(cli: Cli, export: Path) -> None:
    """Status 1; nothing is imported."""
    cli("import", export, "--profile", "no-such-profile").assert_refused("no-such-profile")


@pytest.mark.parametrize(
    ("words", "found", "status"),
    [
        (("show", "999999"), ("999999",), 1),
        (("show", "abc"), ("abc", "joulebook runs"), 2),
        (("show", "-1"), ("-1",), 2),
        (("why", "1", "enrgy_wh"), ("enrgy_wh", "energy_wh"), 1),
        (("why", "999999", "energy_wh"), ("999999",), 1),
        (("runs", "prt:C1"), ("prt", "port"), 2),
        (("runs", "wh>lots"), ("wh>lots",), 2),
        (("runs", "--sort", "energi_wh"), ("energi_wh", "energy_wh"), 1),
        (("sql", "SELECT devce FROM runs"), ("devce", "device"), 1),
        (("sql", "SELECT * FROM rns"), ("rns",), 1),
        (("sql", "SELEC 1"), ("SELEC",), 1),
        (("sql", ""), ("SELECT",), 1),
        (("sql", "SELECT 1; SELECT 2"), ("One statement",), 1),
        (("sql", "DELETE FROM runs"), ("SELECT",), 1),
        (("sql", "COPY runs TO 'x.csv'"), ("SELECT",), 1),
        (("sql", "SELECT 1", "--format", "xml"), ("xml", "csv"), 2),
        (("sql",), ("SELECT",), 2),
        (("device", "show", "PB-99"), ("PB-99",), 1),
        (("device", "load", "nowhere.toml"), ("nowhere.toml",), 1),
        (("meter", "add", "M9", "--voltage", "good"), ("good",), 2),
        (("meter", "add", "M9", "--calibrated", "spring"), ("spring", "2026-01-10"), 2),
        (("profile", "show", "none-such"), ("none-such",), 1),
        (("edit", "1"), ("--port",), 2),
        (("edit", "1", "--quality", "bad"), ("bad", "rejected"), 2),
        (("edit", "1", "--quality", "rejected"), ("--reason",), 2),
        (("edit", "999999", "--port", "C1"), ("999999",), 1),
        (("edit", "x", "--port", "C1"), ("x",), 2),
        (("edit", "9-3", "--port", "C1"), ("9-3",), 2),
        (("delete", "999999"), ("999999",), 1),
        (("delete", "1"), ("--force",), 2),
        (("group", "1", "2", "--by", "moon"), ("moon",), 2),
        (("group", "1", "2", "--offset", "2"), ("RUN=SECONDS",), 2),
        (("restore", "nowhere.tar", "--to", "x"), ("nowhere.tar",), 1),
        (("recompute", "999999"), ("999999",), 1),
        (("frobnicate",), ("frobnicate",), 2),
        (("rusn",), ("runs",), 2),
        (("meter", "ad"), ("add",), 2),
        (("help", "rusn"), ("runs",), 2),
        (("help", "runs", "more"), ("more",), 2),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else str(value),
)
def test_a_mistake_is_one_clear_sentence(
    words: tuple[str, ...],
    found: tuple[str, ...],
    status: int,
    cli: Cli,
    demo_library: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What is wrong, what is near, and the status that scripts rely on; the library stays as it was."""
    monkeypatch.setenv("JOULEBOOK_LIBRARY", str(demo_library))
    before = (demo_library / "catalogue.duckdb").read_bytes()
    cli(*words).assert_refused(*found, status=status)
    assert (demo_library / "catalogue.duckdb").read_bytes() == before


COMMANDS_ON_A_LIBRARY = (
    ("runs",),
    ("show", "1"),
    ("sql", "SELECT 1"),
    ("verify",),
    ("meter", "list"),
    ("device", "list"),
)


@pytest.mark.parametrize("words", COMMANDS_ON_A_LIBRARY, ids=" ".join)
def test_a_library_that_is_a_file_is_refused(words: tuple[str, ...], cli: Cli, tmp_path: Path) -> None:
    """A library is a folder."""
    place = tmp_path / "library"
    place.write_text("not a folder")
    cli("--library", place, *words).assert_refused(str(place))
    assert place.read_text() == "not a folder"


@pytest.mark.parametrize("words", COMMANDS_ON_A_LIBRARY, ids=" ".join)
def test_a_library_that_is_not_there_is_said(words: tuple[str, ...], cli: Cli, tmp_path: Path) -> None:
    """Looking makes no library."""
    cli("--library", tmp_path / "none", *words).assert_refused(str(tmp_path / "none"))
    assert not (tmp_path / "none").exists()


def test_a_folder_with_other_things_is_no_place_for_a_library(cli: Cli, export: Path, tmp_path: Path) -> None:
    """An import makes no library among somebody's files."""
    place = tmp_path / "papers"
    place.mkdir()
    (place / "letter.txt").write_text("mine")
    cli("--library", place, "import", export).assert_refused(str(place))
    assert [entry.name for entry in place.iterdir()] == ["letter.txt"]


def test_a_newer_library_is_refused_in_one_line(cli: Cli, demo_copy: Path) -> None:
    """A newer program's library is left alone."""
    import duckdb

    with duckdb.connect(str(demo_copy / "catalogue.duckdb")) as catalogue:
        catalogue.execute("UPDATE schema_history SET version = version + 1000")
    said = cli("--library", demo_copy, "runs")
    said.assert_refused("schema")
    assert len(said.err.splitlines()) == 1


HOSTILE = "\x1b[31mred[/] [bold]x[/bold] \x07\x9b31m\u202e"


def test_hostile_text_from_a_file_is_shown_literally_everywhere(cli: Cli, tmp_path: Path) -> None:
    """Labels, notes and names hold escapes and markup: no listing, page, refusal or document lets them act."""
    file = tmp_path / "hostile [red].csv"
    file.write_text(GOOD.replace("Current (A)", f"Current (A),{HOSTILE}").replace(",1.5\n", ",1.5,0\n"))
    facts = ("--device", f"PB {HOSTILE}", "--kind", "discharge", "--note", HOSTILE, "--port", "[C1]")
    said = [cli("inspect", file), cli("import", file, *facts), cli("runs"), cli("show", 1), cli("runs", HOSTILE)]
    said += [cli("sql", "SELECT device, note FROM runs"), cli("show", HOSTILE), cli("device", "show", HOSTILE)]
    said += [
        cli("edit", 1, "--note", "x"),
        cli("amendments"),
        cli("--plain", "runs"),
        cli("import", tmp_path / HOSTILE),
    ]
    for one in said:
        assert not {"\x1b", "\x07", "\x9b", "\u202e"} & set(one.out + one.err)
        assert "Traceback" not in one.err
    assert "[bold]x[/bold]" in cli("show", 1).out + cli("amendments").out
    assert "[C1]" in cli("runs").out


def test_an_unexpected_error_is_one_sentence_and_a_log(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A fault of ours shows no traceback; the log has it, and --debug shows it."""

    def broken(_words: list[str]) -> list[str]:
        raise KeyError("a fault of ours")

    monkeypatch.setattr("tui.cli.commands.runs.as_typed", broken)
    assert main(["runs"]) == 1
    said = capsys.readouterr().err
    assert "Traceback" not in said
    assert "KeyError" in said
    log = Path(said.split("The details are in ")[1].split(";")[0])
    assert "a fault of ours" in log.read_text("utf-8")
    assert main(["runs", "--debug"]) == 1
    assert "Traceback" in capsys.readouterr().err


def test_a_log_that_can_not_be_written_is_no_second_error(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Where even the log fails, the sentence still comes."""
    blocked = tmp_path / "file"
    blocked.write_text("")
    for name in ("XDG_STATE_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(blocked))
    if sys.platform == "darwin":
        monkeypatch.setenv("HOME", str(blocked))

    def broken(_words: list[str]) -> list[str]:
        raise KeyError("a fault of ours")

    monkeypatch.setattr("tui.cli.commands.runs.as_typed", broken)
    assert main(["runs"]) == 1
    assert "`--debug` shows the details" in capsys.readouterr().err
