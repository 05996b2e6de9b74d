"""`runs`, `show`, `why` and `sql` on the demo: what scripts rely on, and what people read."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import duckdb
import pyarrow.parquet as pq
import pytest

from tests.cli.conftest import Cli

MAIN_COLUMNS = {
    *("run_id", "device", "port", "mode", "kind", "direction", "load_set", "ambient_c", "started_at", "duration_s"),
    *("samples", "interval_s", "meter", "group_id", "source_file", "source_sha256", "profile", "quality", "note"),
    *("energy_wh", "charge_ah", "power_mean_w", "voltage_mean_v", "temperature_max_c"),
}


@pytest.fixture(autouse=True)
def _on_the_demo(demo_library: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JOULEBOOK_LIBRARY", str(demo_library))


def test_runs_as_json_is_a_list_of_every_run(cli: Cli) -> None:
    """150 runs or more, each with the view's main columns; nothing else on standard output."""
    runs = cli("runs", "--json").json()
    assert len(runs) >= 150
    assert set(runs[0]) >= MAIN_COLUMNS
    moments = [run["started_at"] for run in runs if run["started_at"]]
    assert moments == sorted(moments, reverse=True)


def test_filter_words_narrow_and_exclude(cli: Cli) -> None:
    """The listing and its complement make the whole."""
    every = {run["run_id"] for run in cli("runs", "--json").json()}
    kept = cli("runs", "kind:discharge", "--json").json()
    left = cli("runs", "-kind:discharge", "--json").json()
    assert {run["kind"] for run in kept} == {"discharge"}
    assert {run["run_id"] for run in kept} | {run["run_id"] for run in left} == every
    assert not {run["run_id"] for run in kept} & {run["run_id"] for run in left}


def test_a_quoted_mode_is_one_word(cli: Cli) -> None:
    """The shell's quotes reach the filter: mode:"fixed 20 V"."""
    runs = cli("runs", "mode:fixed 20 V", "--json").json()
    assert runs
    assert {run["mode"] for run in runs} == {"fixed 20 V"}


def test_the_text_list_has_a_line_per_run_and_a_sum_beside(cli: Cli) -> None:
    """Head, runs, and how many of how many on standard error."""
    said = cli("runs", "kind:standby")
    wanted = len(cli("runs", "kind:standby", "--json").json())
    assert len(said.out.splitlines()) == wanted + 1
    assert said.err.startswith(f"{wanted} of ")


def test_a_limit_is_said(cli: Cli) -> None:
    """What is not listed is counted."""
    said = cli("runs", "--limit", "3")
    assert len(said.out.splitlines()) == 4
    assert "the first 3 are listed" in said.err
    assert len(cli("runs", "--limit", "3", "--json").json()) == 3


def test_sorting_by_a_column_either_way(cli: Cli) -> None:
    """`--sort -energy_wh` begins with the most energy."""
    energies = [run["energy_wh"] for run in cli("runs", "kind:discharge", "--sort", "-energy_wh", "--json").json()]
    assert energies == sorted(energies, reverse=True)


def test_plain_output_is_tabbed_records(cli: Cli) -> None:
    """--plain gives every record on one line with the same number of cells."""
    lines = cli("--plain", "runs").out.splitlines()
    assert len({line.count("\t") for line in lines}) == 1
    assert len(lines) == len(cli("runs", "--json").json()) + 1


def test_show_tells_facts_results_events_and_origin(cli: Cli) -> None:
    """The page of a run has its parts, and a figure with its uncertainty and unit."""
    text = cli("show", "1").out
    for title in ("facts", "traces", "results", "events", "origin"):
        assert f"\n{title}\n" in text
    assert "Wh" in text
    assert "±" in text


def test_show_as_json_agrees_with_the_list(cli: Cli) -> None:
    """Energy in `show` is the energy in `runs`, and the uncertainty is there."""
    run = cli("show", "1", "--json").json()
    listed = next(r for r in cli("runs", "--json").json() if r["run_id"] == 1)
    energy = next(result for result in run["results"] if result["name"] == "energy_wh")
    assert energy["value"] == listed["energy_wh"]
    assert energy["uncertainty"] > 0
    assert energy["method_version"] >= 1
    assert {strip["channel"] for strip in run["preview"]["strips"]} <= set(run["channels"])
    assert all(len(strip["mean"]) == run["preview"]["buckets"] for strip in run["preview"]["strips"])


def test_sql_in_every_format_gives_the_same_numbers(cli: Cli, tmp_path: Path) -> None:
    """Table, CSV, JSON and Parquet of one question agree."""
    sql = "SELECT run_id, energy_wh FROM runs WHERE energy_wh IS NOT NULL ORDER BY run_id LIMIT 5"
    rows = cli("sql", sql, "--format", "json").json()
    as_csv = list(csv.DictReader(io.StringIO(cli("sql", sql, "--format", "csv").out)))
    assert [float(row["energy_wh"]) for row in as_csv] == [row["energy_wh"] for row in rows]
    file = tmp_path / "x.parquet"
    assert cli("sql", sql, "-o", file).status == 0
    assert pq.read_table(file).to_pylist() == rows
    table = cli("sql", sql).out.splitlines()
    assert [int(line.split()[0]) for line in table[1:]] == [row["run_id"] for row in rows]


def test_an_existing_file_is_not_overwritten_without_force(cli: Cli, tmp_path: Path) -> None:
    """-o refuses, --force writes."""
    file = tmp_path / "x.csv"
    file.write_text("mine")
    cli("sql", "SELECT 1", "-o", file).assert_refused("exists", "--force")
    assert file.read_text() == "mine"
    assert cli("sql", "SELECT 1 AS one", "-o", file, "--force").status == 0
    assert file.read_text().split() == ["one", "1"]


def test_sql_from_standard_input(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    """`-` reads the question from a pipe."""
    monkeypatch.setattr("sys.stdin", io.StringIO("SELECT count(*) AS n FROM runs"))
    assert cli("sql", "-", "--format", "json").json()[0]["n"] >= 150


def test_help_of_sql_lists_the_views_that_there_are(cli: Cli) -> None:
    """Every view and column in the help is in the library, and none is missing."""
    from store import Library
    from store.sql.views import view_columns

    views = Library.open(Path(__import__("os").environ["JOULEBOOK_LIBRARY"])).sql.views()
    assert {name: tuple(column for column, _ in columns) for name, columns in views.items()} == view_columns()
    text = cli("sql", "--help").out
    assert all(view in text for view in views)


def test_a_cut_table_says_so(cli: Cli) -> None:
    """The row limit is told, with the option that lifts it."""
    said = cli("sql", "SELECT t_s FROM samples", "--limit", "2")
    assert len(said.out.splitlines()) == 3
    assert "--limit 0" in said.err


def test_why_names_inputs_budget_and_the_way_to_redo_it(cli: Cli) -> None:
    """The account of a figure: formula, samples, contributions, SQL over the Parquet file."""
    text = cli("why", "1", "energy_wh").out
    for word in ("energy_wh", "samples", "SELECT", ".parquet"):
        assert word in text
    assert cli("why", "1", "energy_wh", "--json").json()["name"] == "energy_wh"


def test_options_of_the_program_may_stand_behind_the_command(cli: Cli, demo_library: Path, tmp_path: Path) -> None:
    """`runs --library DIR` is `--library DIR runs`, and goes before the environment."""
    assert cli("runs", "--library", demo_library, "--json").json()
    cli("runs", "--library", tmp_path / "none").assert_refused(str(tmp_path / "none"))


def test_help_of_a_command_in_both_ways(cli: Cli) -> None:
    """`help X`, `X --help` and `X -h` are one."""
    texts = {cli("help", "meter", "add").out, cli("meter", "add", "--help").out, cli("meter", "add", "-h").out}
    assert len(texts) == 1
    assert "Examples:" in texts.pop()


def test_version(cli: Cli) -> None:
    """The version comes from its one place."""
    from store.version import __version__

    lines = cli("--version").out.splitlines()
    assert lines[0] == f"joulebook {__version__}"
    assert f"duckdb {duckdb.__version__}" in lines
