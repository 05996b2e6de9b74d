"""A device's page and comparisons on the demo library, held against what its model knows."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from store import Library, NotFound
from store.devices import page as page_module
from store.devices.page import judge_all
from store.devices.records import ComparisonRow
from store.judge import evidence
from store.judge.claims import judge_claims
from store.judge.comparison import ComparisonRefused
from store.judge.evidence import read_evidence
from store.judge.peers import peers_of, same_model
from store.model.sheet import ClaimSheet, DeviceSheet
from store.uncertainty.decision import Verdict


@pytest.fixture(scope="module")
def library(demo_library: Path) -> Library:
    return Library.open(demo_library)


def test_every_device_has_a_page_with_course_and_verdicts(library: Library) -> None:
    for row in library.devices.all():
        page = library.devices.page(row.device)
        assert page.runs == row.runs
        assert page.verdicts, row.device
        assert page.course.count("done") > 0, row.device
        assert page.figures, row.device


def test_every_verdict_leads_to_runs_that_exist_and_are_the_devices_own(library: Library) -> None:
    for verdict in library.verdicts.all():
        if verdict.run_ids:
            assert library.runs.get(verdict.run_ids[0]).facts.device == verdict.device


def test_page_of_the_bank_that_the_reader_asked_about(library: Library) -> None:
    """PB-03 was built to give 60 W until its electronics reach 73 degC and to hold 86 % of what is printed."""
    page = library.devices.page("PB-03", loads_w=(15.0, 45.0, 60.0))
    figures = {figure.name: figure for figure in page.figures}
    assert figures["energy_out_wh"].value == pytest.approx(47.30, abs=0.15)
    assert figures["yield"].value == pytest.approx(47.30 / 61.6, abs=0.003)
    assert figures["round_trip"].run_ids[0] in figures["energy_out_wh"].run_ids
    assert "assumed" in figures["wall_to_load"].note
    assert figures["wasted_share"].value == pytest.approx(1 - (figures["wall_to_load"].value or 0))
    assert page.sustained_out is not None
    assert page.sustained_out.power_w == 45
    assert "60 W: cut back" in page.sustained_out.reason
    assert page.flight is not None
    assert page.flight.name == "cabin"
    hours = {line.load_w: line.figure for line in page.runtimes}
    assert hours[15.0].value == pytest.approx(46.1 / 15, rel=0.01)
    assert hours[60.0].value is None
    assert "larger loads are not estimated" in hours[60.0].reason
    assert set(page.peers) == {"PB-02", "PB-07"}


def test_repeats_stand_as_mean_spread_and_count(library: Library) -> None:
    page = library.devices.page("PB-03")
    row = next(row for table in page.tables if table.kind == "discharge" for row in table.rows if row.count == 3)
    held = next(figure for figure in row.figures if figure.name == "held_s")
    assert (row.load, held.count) == ("60 W", 3)
    assert held.spread is not None
    assert held.value == pytest.approx(1950, abs=60)


def test_adapter_recharge_through_its_own_log_is_measured_not_assumed(library: Library) -> None:
    """PB-02 was recharged once with AD-01's mains side in the group: energy at the port over logged energy."""
    page = library.devices.page("PB-02")
    through = next(figure for figure in page.figures if figure.name == "wall_to_load")
    assert "measured on AD-01" in through.note
    assert "assumed" not in through.note


def test_limits_of_an_adapter_name_their_edition(library: Library) -> None:
    page = library.devices.page("AD-02")
    failed = [line for line in page.limits if line.verdict == "not met"]
    assert failed
    assert all(line.edition and line.mark for line in page.limits)
    assert {line.standard for line in page.limits} == {"US Level VI", "EU ecodesign", "EU Code of Conduct v5 Tier 2"}


def test_display_that_flatters_itself_is_seen(library: Library) -> None:
    """PB-04's display was built to promise too much in the middle and to jump at its end."""
    page = library.devices.page("PB-04")
    row = next(table.rows[0] for table in page.tables if table.kind == "display")
    figures = {figure.name: figure.value for figure in row.figures}
    assert figures["charge_level_off"] is not None
    assert figures["charge_level_off"] > 0.09


def test_verdicts_view_says_the_same(library: Library) -> None:
    table = library.sql.run("SELECT device, position, verdict, run_ids FROM verdicts ORDER BY 1, 2").table.to_pylist()
    expected = [(v.device, v.position, v.verdict, list(v.run_ids)) for v in library.verdicts.all()]
    assert [tuple(row.values()) for row in table] == expected


@pytest.mark.filterwarnings("error")
def test_devices_judged_in_portions_come_out_as_all_at_once(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    """One device at a time: runs of its groups that belong to another device must neither lack nor count."""
    whole = read_evidence(library)
    at_once = [v for name, sheet in sorted(whole.sheets.items()) for v in judge_claims(sheet, whole.of(name))]
    monkeypatch.setattr(evidence, "PORTION", 1)
    assert [v for found in judge_all(library).values() for v in found] == at_once
    assert at_once
    portions = dict(evidence.evidence_by_portions(library, sorted(whole.sheets)))
    assert list(portions) == [(name,) for name in sorted(whole.sheets)]
    for (name,), found in portions.items():
        assert [(run.run_id, dict(run.results)) for run in found.of(name)] == [
            (run.run_id, dict(run.results)) for run in whole.of(name)
        ]


def test_only_devices_that_changed_are_judged_again(demo_library: Path, tmp_path: Path) -> None:
    """Whatever is changed, what is kept of the others equals what a fresh look at everything gives."""
    shutil.copytree(demo_library, tmp_path / "own")
    library = Library.open(tmp_path / "own")
    library.verdicts.all()
    judged: list[set[str]] = []
    real = page_module.judge_all

    def told(library: Library, devices: Iterable[str] | None = None) -> dict[str, tuple[Verdict, ...]]:
        judged.append(set(devices or ()))
        return real(library, devices)

    run = next(v.run_ids[0] for v in library.verdicts.all() if v.run_ids)
    device = library.runs.get(run).facts.device
    assert device is not None
    discharge, recharge = _one_of_each(library)
    changes: tuple[tuple[Callable[[], object], bool], ...] = (
        (lambda: library.devices.save(replace(library.devices.get(device), note="another")), True),
        (lambda: library.runs.edit([run], {"quality": "rejected"}, reason="a test"), True),
        (lambda: library.runs.pair([discharge, recharge], reason="a test"), False),
        (lambda: library.runs.delete([run], reason="a test"), True),
    )
    for change, is_of_one in changes:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(page_module, "judge_all", told)
            change()
            kept = library.verdicts.all()
        afresh = real(Library.open(tmp_path / "own"))
        assert kept == tuple(verdict for found in afresh.values() for verdict in found)
        assert device in judged[-1]
        if is_of_one:
            assert len(judged[-1]) < len(library.devices.sheets())
    assert len(judged) == len(changes)


def _one_of_each(library: Library) -> tuple[int, int]:
    sql = (
        "SELECT min(run_id) FILTER (kind = 'discharge') AS one, min(run_id) FILTER (kind = 'recharge') AS other "
        "FROM runs GROUP BY device HAVING one IS NOT NULL AND other IS NOT NULL ORDER BY device LIMIT 1"
    )
    (row,) = library.sql.run(sql).table.to_pylist()
    return int(row["one"]), int(row["other"])


def test_verdicts_follow_an_edit_of_the_sheet(demo_library: Path, tmp_path: Path) -> None:
    library = Library.create(tmp_path / "own")
    sheet = DeviceSheet("CB-9", "cable", mass_g=50, claims=(ClaimSheet("mass_g", "at most", 60, unit="g"),))
    library.devices.save(sheet)
    assert [v.verdict for v in library.verdicts.all()] == ["met"]
    library.devices.save(replace(sheet, mass_g=70))
    assert [v.verdict for v in library.verdicts.all()] == ["not met"]


def rows(library: Library, *names: str, by: str | None = None) -> dict[str, ComparisonRow]:
    return {row.name: row for row in library.devices.compare(names, by).rows}


def test_two_samples_of_one_model(library: Library) -> None:
    """PB-05 and PB-06 are built with 5.06 and 4.82 Ah, converters alike: energies differ, round trips don't."""
    page = library.devices.compare(["PB-05", "PB-06"])
    found = {row.name: row for row in page.rows}
    assert found["energy_out_wh"].best == (0,)
    assert [rank.words() for rank in found["energy_out_wh"].ranks if rank] == ["1", "2"]
    assert found["round_trip"].best == ()
    assert found["round_trip"].finding == "no difference shown"
    energy = next(line for line in page.models if line.name == "energy_out_wh")
    assert (energy.count, energy.devices) == (2, ("PB-05", "PB-06"))
    assert not any("Of this sample" in note for note in page.notes)


def test_peers_join_a_single_device_and_one_sample_is_said(library: Library) -> None:
    page = library.devices.compare(["PB-03"])
    assert page.peers_added == ("PB-02", "PB-07")
    assert any(note.startswith("Of this sample: one unit each of PB-03") for note in page.notes)


def test_where_no_condition_is_common_nothing_is_marked(library: Library) -> None:
    """PB-01's loads in 9 V are 10, 14.4 and 18 W, PB-09's is 15 W; their A1 were tested in 5 and in 9 V."""
    row = rows(library, "PB-01", "PB-09")["energy_out_wh"]
    assert row.unlike == ("Not at one mode: fixed 20 V, fixed 9 V.", "Not at one load: 10 W, 65 W.")
    assert (row.best, row.worst, row.ranks) == ((), (), ())


def test_common_condition_with_an_unknown_uncertainty_shows_no_difference(library: Library) -> None:
    """All that PB-04 and PB-08 share is A1 at 10 W, logged by a meter of unknown accuracy."""
    row = rows(library, "PB-04", "PB-08")["energy_out_wh"]
    assert row.unlike == ()
    assert row.finding == "no difference shown: an uncertainty is unknown"
    assert row.best == ()


def test_order_and_pairs_by_a_quantity(library: Library) -> None:
    page = library.devices.compare(["CB-01", "CB-02", "CB-03"], by="resistance_mohm")
    assert [sheet.device for sheet in page.devices] == ["CB-03", "CB-01", "CB-02"]
    assert page.pairs_by == "resistance_mohm"
    assert len(page.pairs) == 3
    assert all(pair.is_told_apart for pair in page.pairs)


def test_what_can_not_be_compared_is_refused(library: Library) -> None:
    with pytest.raises(ComparisonRefused, match="Name two devices"):
        library.devices.compare(["CB-01"])
    with pytest.raises(NotFound, match="Did you mean energy_out_wh"):
        library.devices.compare(["PB-01", "PB-02"], by="enrgy_out_wh")
    with pytest.raises(NotFound):
        library.devices.compare(["PB-01", "PB-99"])
    with pytest.raises(NotFound):
        library.devices.page("PB-99")
    with pytest.raises(NotFound):
        library.devices.course("PB-99")


def test_kinds_are_compared_by_what_they_share(library: Library) -> None:
    found = rows(library, "PB-01", "AD-01")
    assert set(found) <= {"mass_g", "temperature_max_c"}
    assert found["mass_g"].best == (1,)


def test_peers_are_of_one_kind_and_within_thirty_percent() -> None:
    own = DeviceSheet("a", "power bank", model="m", rated_energy_wh=100, price=1)
    others = [
        DeviceSheet("b", "power bank", rated_energy_wh=130),
        DeviceSheet("c", "power bank", rated_energy_wh=130.1),
        DeviceSheet("d", "power bank", rated_energy_wh=70, price=9),
        DeviceSheet("e", "adapter", output_w=100),
        DeviceSheet("f", "power bank", model="M ", rated_energy_wh=100),
    ]
    assert peers_of(own, others) == ("d", "b")
    assert same_model(own, others) == ("f",)
    assert peers_of(DeviceSheet("x", "power bank"), others) == ()


def test_each_pair_is_set_against_each_other_where_both_were_tested_best(library):
    """The condition that most of four share with a known uncertainty counts; the fourth says that it was not tested."""
    page = library.devices.compare(["PB-07", "PB-02", "PB-03", "PB-08"])
    row = next(row for row in page.rows if row.name == "energy_out_wh")
    assert row.finding == "PB-07 most"
    assert row.figures[3].reason == "not tested at C1, fixed 9 V, 15 W"
    assert row.repeats.startswith("One test each")
    pairs = {(pair.first, pair.second): pair for pair in page.pairs}
    assert len(pairs) == 6
    known = pairs["PB-07", "PB-02"]
    assert known.expanded is not None
    assert known.is_told_apart
    assert pairs["PB-07", "PB-03"].condition != row.figures[0].condition
    assert not pairs["PB-07", "PB-08"].is_told_apart
