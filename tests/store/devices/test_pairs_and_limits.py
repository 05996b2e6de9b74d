"""Pairs made by hand come before dates; at its lowest voltage an adapter is held against 2 A where a rule says so."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from importers.schema import Facts
from store import Library
from store.errors import NotFound, WrongFact
from store.judge.device_limits import limit_lines, limit_notes
from store.judge.measured import RunEvidence
from store.methods.adapter import LOW_END
from store.model.results import Result
from store.model.sheet import DeviceSheet, PortSheet
from tests.builders import STARTED, add_run, make_run, write_export


def charging(amps: float) -> pl.DataFrame:
    """Twenty minutes at 9 V, then a fall to nothing."""
    t = np.arange(1500.0)
    current = np.where(t < 1200.0, amps, amps * np.exp(-(t - 1200.0) / 40.0)) * (t > 10.0)
    return pl.DataFrame({"t_s": t, "voltage_v": np.full(len(t), 9.0), "current_a": np.round(current, 3)})


@pytest.fixture
def library(tmp_path: Path) -> Library:
    """One discharge, and two recharges after it that took 2 A and 3 A; a run of another device."""
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    library.devices.save(DeviceSheet("PB-01", "power bank", rated_energy_wh=6.0))
    plan = [("PB-01", "discharge", make_run(600, noise=0.0)), ("PB-01", "recharge", charging(2.0))]
    plan += [("PB-01", "recharge", charging(3.0)), ("PB-02", "recharge", charging(2.0))]
    for number, (device, kind, frame) in enumerate(plan):
        mode = "fixed 20 V" if kind == "discharge" else "fixed 9 V"
        facts = Facts(device=device, port="C1", mode=mode, kind=kind, ambient_c=22.0)
        started = STARTED + timedelta(hours=number)
        add_run(library, write_export(tmp_path, f"{number}.csv"), frame, facts=facts, started_at=started)
    return library


def round_trip(library: Library) -> tuple[float | None, tuple[int, ...]]:
    page = library.devices.page("PB-01")
    figure = next(figure for figure in page.figures if figure.name == "round_trip")
    return figure.value, figure.run_ids


def test_a_pair_made_by_hand_comes_before_the_dates(library: Library) -> None:
    """The next recharge is taken unless another is stated; the amendment tells; taken away, dates decide again."""
    by_date, runs = round_trip(library)
    assert runs == (1, 2)
    assert library.runs.pair([3, 1], reason="run 2 topped it up").recharge_id == 3
    by_hand, runs = round_trip(library)
    assert runs == (1, 3)
    assert by_date is not None
    assert by_hand == pytest.approx(by_date * 2.0 / 3.0, rel=1e-3)
    assert [(p.discharge_id, p.recharge_id) for p in library.runs.pairs()] == [(1, 3)]
    (amended,) = library.amendments.all("run", ["1"])
    assert (amended.field, amended.old_value, amended.new_value) == ("paired with", None, "3")
    assert library.runs.get(1).amendments == (amended,)
    assert library.runs.unpair(3)
    assert not library.runs.unpair(3)
    assert round_trip(library) == (by_date, (1, 2))


def test_what_is_no_pair_is_refused(library: Library) -> None:
    """Two of one kind, two devices, a run that is not there."""
    with pytest.raises(WrongFact, match="one discharge and one recharge"):
        library.runs.pair([2, 3])
    with pytest.raises(WrongFact, match="of one device; run 1 is of PB-01, run 4 is of PB-02"):
        library.runs.pair([1, 4])
    with pytest.raises(NotFound):
        library.runs.pair([1, 99])


def test_a_deleted_run_is_in_no_pair(library: Library) -> None:
    library.runs.pair([1, 3])
    library.runs.delete([3], reason="twice")
    assert library.runs.pairs() == ()
    assert round_trip(library)[1] == (1, 2)


def evidence(low_end: float | None) -> RunEvidence:
    results = {
        "efficiency_average": Result("efficiency_average", 0.80, "1", 0.001, "average efficiency", 1),
        LOW_END: Result(LOW_END, low_end, "1", 0.001, "average efficiency", 1),
    }
    return RunEvidence(1, "C1", "fixed 5 V", "efficiency", results=results)


@pytest.mark.parametrize(("low_end", "verdict"), [(0.80, "met"), (0.77, "not met"), (None, "not tested")])
def test_at_its_lowest_voltage_full_load_counts_as_two_amperes(low_end: float | None, verdict: str) -> None:
    """US Level VI for 10 W at low voltage: 0.787036 (10 CFR 430.32(w)); the 2 A by app. Z, 87 FR 51221.

    The EU's rule has no such method; the Commission's FAQ lets that one serve. The Code of Conduct names none.
    """
    port = PortSheet("C1", offers=("fixed 5/9 V 3 A",))
    sheet = DeviceSheet("AD-09", "adapter", output_w=27.0, ports=(port,))
    lines = {line.standard: line for line in limit_lines(sheet, [evidence(low_end)]) if line.measure == "average"}
    assert set(lines) == {"US Level VI", "EU ecodesign"}
    for line in lines.values():
        assert line.limit == pytest.approx(0.787036, abs=1e-6)
        assert line.verdict == verdict
    level_vi, ecodesign, conduct = limit_notes(sheet, [evidence(low_end)])
    assert "appendix Z" in level_vi
    assert "FAQ" in ecodesign
    assert ("levels of 0.5, 1, 1.5, 2 A" in level_vi) == (verdict == "not tested")
    assert conduct.startswith("EU Code of Conduct v5 Tier 2: no verdict. Its method names no test output")


ONE = PortSheet("C1", offers=("fixed 20 V 3.25 A",))


@pytest.mark.parametrize(
    ("ports", "output_w", "mode", "missing"),
    [
        ((ONE,), None, "fixed 20 V", "its rated output is not on the sheet"),
        ((), 65.0, "fixed 20 V", "Its outputs are not on the sheet"),
        ((PortSheet("C1"),), 65.0, "fixed 20 V", "What C1 offers in fixed 20 V is not on the sheet"),
        ((ONE, PortSheet("A1", offers=("fixed 5 V 2.4 A",))), 65.0, "fixed 20 V", "It has 2 outputs"),
        ((PortSheet("C1", offers=("fixed 5/9/20 V 3 A",)),), 60.0, "fixed 9 V", ""),
    ],
)
def test_no_verdict_where_class_or_current_do_not_follow(
    ports: tuple[PortSheet, ...], output_w: float | None, mode: str, missing: str
) -> None:
    """The missing fact is named, and no limit of a single output is held against an adapter with several."""
    run = RunEvidence(
        1,
        "C1",
        mode,
        "efficiency",
        results={"efficiency_average": Result("efficiency_average", 0.5, "1", 0.001, "m", 1)},
    )
    mains = PortSheet("mains", direction="in")
    sheet = DeviceSheet("AD-09", "adapter", output_w=output_w, ports=(mains, *ports))
    assert list(limit_lines(sheet, [run])) == []
    assert missing in " ".join(limit_notes(sheet, [run]))


def test_a_single_output_is_held_against_its_class() -> None:
    """65 W at one voltage: 0.880 and 0.890; at two it is tested at the highest with its rating (app. Z)."""
    result = Result("efficiency_average", 0.91, "1", 0.001, "m", 1)
    run = RunEvidence(1, "C1", "fixed 20 V", "efficiency", results={"efficiency_average": result})
    for offers, limits in (
        (("fixed 20 V 3.25 A",), [0.88, 0.88, 0.89]),
        (("fixed 5 V 3 A", "fixed 20 V 3.25 A", "PPS 3.3-21 V 3 A"), [0.88, 0.88]),
    ):
        sheet = DeviceSheet("AD-09", "adapter", output_w=65.0, ports=(PortSheet("C1", offers=offers),))
        lines = list(limit_lines(sheet, [run]))
        assert [line.limit for line in lines] == pytest.approx(limits)
        assert {line.verdict for line in lines} == {"met"}


def test_several_outputs_have_a_no_load_limit_of_their_own() -> None:
    """(EU) 2019/1782 and 10 CFR 430.32(w): multiple-voltage supplies, 0.300 W."""
    result = Result("no_load_w", 0.2, "W", 0.001, "m", 1)
    run = RunEvidence(1, "mains", None, "no-load", results={"no_load_w": result})
    ports = (ONE, PortSheet("A1", offers=("fixed 5 V 2.4 A",)))
    sheet = DeviceSheet("AD-09", "adapter", output_w=30.0, ports=ports)
    lines = list(limit_lines(sheet, [run]))
    assert [(line.standard, line.limit, line.verdict) for line in lines] == [
        ("US Level VI", 0.3, "met"),
        ("EU ecodesign", 0.3, "met"),
    ]


def test_samples_of_one_model_have_a_mean_and_a_spread(demo_library: Path) -> None:
    """PB-05 and PB-06 are of one model: the mean of both, each counted once, with the spread between them."""
    library = Library.open(demo_library)
    pages = {name: library.devices.page(name) for name in ("PB-05", "PB-06")}
    own = {
        name: next(f for f in page.figures if f.name == "energy_out_wh").value or 0.0 for name, page in pages.items()
    }
    for page in pages.values():
        of_both = next(figure for figure in page.figures if figure.name == "model_energy_out_wh")
        assert of_both.value == pytest.approx(np.mean(list(own.values())))
        assert of_both.spread == pytest.approx(np.std(list(own.values()), ddof=1))
        assert of_both.count == 2
        assert "PB-05, PB-06" in of_both.note
    assert not any(figure.name.startswith("model_") for figure in library.devices.page("PB-04").figures)


def test_a_load_is_asked_of_a_port_that_can_hold_it(demo_library: Path) -> None:
    """PB-08 was tested at 10 W from A1 and at 30 W from C1: 15 W is said of C1, not refused for A1."""
    line = next(line for line in Library.open(demo_library).devices.page("PB-08").runtimes if line.load_w == 15.0)
    assert line.condition.startswith("C1")
    assert line.figure.value is not None
