"""Habits of meters that make no wrong figure: a counter that is off, a log on change, apparent power, a clock."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from importers.schema import Facts
from store import Library
from store.methods import reduce_run
from store.model.records import Meter
from store.model.results import ArrayTrace, Flag, MeterAccuracy, Result, RunContext
from tests.builders import add_run, make_run, write_export

METER = MeterAccuracy("M1", "0.05% + 2d(0.001)", "0.1% + 2d(0.001)")


def reduced(columns: dict[str, np.ndarray], kind: str | None, direction: str = "out") -> dict[str, Result]:
    found = reduce_run(ArrayTrace(columns), RunContext(kind, direction, meter=METER, load_set="27 W"))
    return {result.name: result for result in found.results}


def hour(step: float = 1.0) -> dict[str, np.ndarray]:
    """Ten seconds idle, an hour at 9 V and 3 A, a cut-off."""
    t = np.arange(0.0, 3630.0, step)
    on = (t >= 10.0) & (t < 3610.0)
    return {"t_s": t, "voltage_v": np.where(t < 3610.0, 9.0, 0.0), "current_a": np.where(on, 3.0, 0.0)}


def test_a_counter_that_is_off_warns_at_the_energy() -> None:
    """5 % off says so beside what a discharge delivered; half a percent is agreement."""
    columns = hour()
    counted = np.cumsum(columns["voltage_v"] * columns["current_a"]) / 3600.0
    for share, is_told in ((1.05, True), (1.005, False)):
        found = reduced({**columns, "energy_wh": share * counted}, "discharge")
        for name in ("energy_wh", "energy_out_wh"):
            assert any("counter is +5" in note for note in found[name].warnings) is is_told, name


def test_a_log_on_change_has_no_gaps_where_its_values_stand_still() -> None:
    """Rows when a reading moves by a milliampere: steps of seconds to minutes; the energy is whole, the runtime too."""
    rng = np.random.default_rng(5)
    busy = 10.0 + np.cumsum(np.where(rng.random(600) < 0.05, 60.0, rng.exponential(2.0, 600)))
    t = np.unique(np.concatenate(([0.0, 4.0, 9.5], busy[busy < 3605.0], [3606.0, 3609.0, 3610.5, 3612.0])))
    on = (t >= 10.0) & (t < 3610.0)
    amps = np.where(on, 3.0 + 0.001 * (np.arange(len(t)) % 2), 0.0)
    amps[~on] = 1e-4 * np.arange((~on).sum())
    columns = {"t_s": t, "voltage_v": np.where(t < 3610.0, 9.0, 0.0), "current_a": amps}
    found = reduced(columns, "discharge")
    assert found["gap_s"].value == 0.0
    assert Flag.AT_LEAST not in found["energy_out_wh"].flags
    assert found["energy_out_wh"].value == pytest.approx(27.0, rel=0.01)


def test_a_link_that_was_lost_is_a_gap_all_the_same() -> None:
    """Even steps of a second and one of two minutes: nothing says that nothing happened."""
    columns = {name: np.delete(y, slice(1000, 1120)) for name, y in hour().items()}
    found = reduced(columns, "discharge")
    assert found["gap_s"].value == pytest.approx(121.0, abs=1.0)
    assert Flag.AT_LEAST in found["energy_out_wh"].flags


def test_apparent_power_is_no_disagreement() -> None:
    """230 V, 0.4 A at a power factor of 0.55: the log's own watts count, and nobody is told off."""
    t = np.arange(0.0, 600.0)
    flat = np.ones(len(t))
    columns = {"t_s": t, "voltage_v": 230.0 * flat, "current_a": 0.4 * flat, "power_w": 50.6 * flat}
    columns["power_factor"] = 0.55 * flat
    found = reduced(columns, "efficiency", "in")
    assert found["energy_wh"].value == pytest.approx(50.6 * 599.0 / 3600.0)
    assert not any("V x I" in note for note in found["energy_wh"].warnings)


def test_a_load_taken_off_proves_nothing() -> None:
    """The current ends while the port holds its voltage: at least so much, flagged, and the end says so."""
    columns = {**hour(), "voltage_v": np.full(3630, 9.0)}
    found = reduced(columns, "discharge")
    assert found["end"].text == "load taken off"
    for name in ("energy_out_wh", "charge_out_ah", "runtime_s"):
        assert {Flag.AT_LEAST, Flag.LOAD_TAKEN_OFF} <= found[name].flags
    assert reduced(hour(), "discharge")["end"].text == "cut-off"


def test_a_load_beside_what_was_set_is_told_as_not_held() -> None:
    """25 W where 27 W were set is no measured 0 s; at the band's very edge it is too close to call."""
    columns = hour()
    short = reduced({**columns, "current_a": columns["current_a"] * 25.0 / 27.0}, "discharge")["held_s"]
    assert short.value is None
    assert short.reason.startswith("not held: 25 W of 27 W")
    edge = reduced({**columns, "current_a": columns["current_a"] * 0.9502}, "discharge")["held_s"]
    assert Flag.NEAR_EDGE in edge.flags


def test_a_stated_clock_is_in_the_budget_and_an_assumed_one_is_named(tmp_path: Path) -> None:
    """`meter add --clock "50 ppm"`: kept, amended, and a line of every energy's budget."""
    library = Library.create(tmp_path / "lib", zone="UTC", who="tester")
    library.meters.add(Meter("M1", "0.05%", "0.1%"))
    facts = Facts(device="PB-01", port="C1", mode="fixed 20 V", kind="discharge", load="30 W", meter="M1")
    add_run(library, write_export(tmp_path, "a.csv"), make_run(), facts=facts)
    (assumed,) = [part for part in library.results.why(1, "energy_wh").budget if part.name == "clock"]
    assert "assumed" in assumed.detail
    library.meters.add(Meter("M1", "0.05%", "0.1%", clock_spec="50 ppm"), reason="data sheet")
    (stated,) = [part for part in library.results.why(1, "energy_wh").budget if part.name == "clock"]
    assert "50 ppm" in stated.detail
    assert stated.standard_uncertainty == pytest.approx(assumed.standard_uncertainty / 20.0)
    assert library.meters.all()[0].clock_spec == "50 ppm"
