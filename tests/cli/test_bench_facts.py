"""Constants, pairs, previews and display readings from the command line."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from store import Library
from store.imports.display_readings import PairError, as_export, read_pair
from store.methods.why import redo_sql
from tests.builders import make_store
from tests.cli.conftest import Cli


def test_thresholds_are_listed_tried_and_set(cli: Cli, tmp_path: Path) -> None:
    """Each with value and reason; a trial stores nothing; what is set is listed as set here and as an amendment."""
    library = make_store(tmp_path, 1, samples=300)
    at = ("--library", library.path)
    listed = cli(*at, "thresholds", "--json").json()
    held = next(row for row in listed if row["name"] == "held_band")
    assert (held["value"], held["default"]) == (0.05, 0.05)
    assert all(row["reason"] for row in listed)
    cli(*at, "thresholds", "held_band", "0.02").assert_refused("Give a reason", "reason")
    cli(*at, "thresholds", "held_bnad", "0.02", "--reason", "x").assert_refused("held_bnad", "Did you mean held_band")
    cli(*at, "thresholds", "held_band", "wide", "--reason", "x").assert_refused("no number", status=2)
    cli(*at, "thresholds", "held_bnad").assert_refused("Did you mean held_band")
    tried = cli(*at, "thresholds", "window_share", "0.5", "--reason", "x", "--dry-run", "--json").json()
    assert tried.keys() == {"changes", "verdicts"}
    assert library.amendments.all() == ()
    assert cli(*at, "thresholds", "window_share", "0,5", "--reason", "loads here idle high").status == 0
    assert "unless set 0.1" in cli(*at, "thresholds").out
    assert "loads here idle high" in cli(*at, "thresholds", "window_share").out
    assert "window_share" in cli(*at, "amendments").out
    assert "constant window_share" in cli(*at, "why", "1", "energy_out_wh").out
    assert cli(*at, "thresholds", "window_share", "--default", "--reason", "as everybody").status == 0
    assert "unless set" not in cli(*at, "thresholds").out


def test_recompute_says_what_it_changed(cli: Cli, tmp_path: Path) -> None:
    library = make_store(tmp_path, 1, samples=300)
    found = cli("--library", library.path, "recompute", "--dry-run", "--json").json()
    assert found == {"changes": [], "verdicts": []}
    assert "0 results would change, 0 verdicts" in cli("--library", library.path, "recompute", "--dry-run").err


def test_verdicts_that_would_flip_are_named(cli: Cli, demo_copy: Path) -> None:
    """PB-01 holds 18 W for 1:43 h of the 1:30 h claimed; in a band of 0.01 % of the load nothing is held."""
    at = ("--library", demo_copy)
    said = cli(*at, "thresholds", "held_band", "0.0001", "--reason", "a trial", "--dry-run")
    _, _, told = said.out.partition("verdicts that would flip")
    assert "PB-01" in told
    assert "Nothing was stored" in said.err
    assert Library.open(demo_copy).amendments.all("threshold") == ()


def test_pairs_are_made_listed_and_taken_away(cli: Cli, demo_copy: Path) -> None:
    at = ("--library", demo_copy)
    assert cli(*at, "pair", "--json").json() == []
    assert cli(*at, "pair", "47", "52", "--reason", "as done").status == 0
    assert cli(*at, "pair", "--json").json() == [{"discharge_id": 47, "recharge_id": 52}]
    cli(*at, "pair", "47", "48").assert_refused("one discharge and one recharge", "run 48 is heat")
    cli(*at, "pair", "47").assert_refused("two runs", status=2)
    assert "Dates and ambient decide again" in cli(*at, "unpair", "47").err
    assert "in no pair" in cli(*at, "unpair", "47").err


def test_display_readings_typed_in_become_a_run(cli: Cli, tmp_path: Path) -> None:
    """Bias of 0.05 V and 0.04 A; a charge level that promises 20 points too much in the middle."""
    library = make_store(tmp_path, 0)
    at = ("--library", library.path)
    pairs = ("20.1 V = 20.05 V", "20,2 V = 20,15 V", "1.54 A = 1.50 A", "1.05 A = 1.01 A")
    assert cli(*at, "display", "PB-01", *pairs, "--port", "C1").status == 0
    found = {result.name: result.value for result in library.results.of(1)}
    assert found["display_voltage_bias_v"] == pytest.approx(0.05)
    assert found["display_current_bias_a"] == pytest.approx(0.04)
    assert found["display_voltage_error_max_v"] == pytest.approx(0.05)
    levels = ("@0:00 100 % = 0 Wh", "@1:00 70 % = 20 Wh", "@1:40 5 % = 38 Wh", "@1:50 0 % = 40 Wh")
    assert cli(*at, "display", "PB-01", *levels).status == 0
    found = {result.name: result.value for result in library.results.of(2)}
    assert found["charge_level_off"] == pytest.approx(0.20)
    assert found["charge_level_jumps"] == 2.0
    for name in ("charge_level_off", "charge_level_jumps"):
        sql = redo_sql(library.results.why(2, name), 2, str(library.samples.place(2)[0]))
        assert duckdb.connect().execute(sql).fetchall()[0][0] == pytest.approx(found[name])
    assert cli(*at, "display", "PB-01", *levels).err.startswith("These readings")
    cli(*at, "display", "PB-01", "87 % = 3 V").assert_refused("Wh delivered so far", status=2)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("abc", "not a pair"),
        ("20 V = 20 A", "the same unit"),
        ("120 % = 3 Wh", "between 0 and 100"),
        ("[bold]5 V[/] = 5 V", "not a pair"),
    ],
)
def test_a_pair_that_is_none_is_refused(text: str, told: str) -> None:
    with pytest.raises(PairError, match=told):
        read_pair(text)


def test_times_are_typed_for_all_pairs_or_none_and_in_order() -> None:
    timed, untimed = read_pair("@0:10 5 V = 5 V"), read_pair("5 V = 5 V")
    with pytest.raises(PairError, match="to all or to none"):
        as_export([timed, untimed])
    with pytest.raises(PairError, match="backwards"):
        as_export([timed, read_pair("@0:05 5 V = 5 V")])
    assert as_export([timed]) == "time s,display voltage V,voltage V\n600,5,5.0\n"
