"""The bench's models: figures of a growing log against NumPy's of the whole, a plan that survives, what is drawn."""

from __future__ import annotations

import json
import secrets
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from store.judge.course import CourseTest
from store.judge.course_grid import CourseCell
from tui.render.format import ASCII_SIGNS
from tui.state.bench_log import GrowingTrace, Limit
from tui.state.bench_page import bench_lines
from tui.state.bench_plan import BenchPlan, keep_plan, kept_plan, plan_for
from tui.state.lines import text_of
from tui.state.look import Look


def strip(trace: GrowingTrace, channel: str, buckets: int):
    return next(found for found in trace.strips(buckets).strips if found.channel == channel)


def drawn(rng: np.random.Generator, n: int) -> pl.DataFrame:
    t = np.cumsum(rng.uniform(0.2, 3.0, n))
    t -= t[0]
    amps = np.where(np.arange(n) < n - 40, 1.5, 0.0) + 0.002 * rng.standard_normal(n)
    volts = 20 + 0.01 * rng.standard_normal(n)
    case = 22 + t / 500 + 0.05 * rng.standard_normal(n)
    return pl.DataFrame({"t_s": t, "voltage_v": volts, "current_a": amps, "temperature_c": case})


def test_figures_of_pieces_are_those_of_the_whole() -> None:
    """Integrals by `numpy.trapezoid`, the slope by `numpy.polyfit`, over pieces cut anywhere."""
    seed = secrets.randbits(32)
    print(f"seed {seed}")
    rng = np.random.default_rng(seed)
    frame = drawn(rng, int(rng.integers(400, 3000)))
    trace = GrowingTrace()
    at = 0
    while at < frame.height:
        size = int(rng.integers(1, 200))
        trace.add(frame.slice(at, size))
        at += size
    found = trace.figures()
    t, power = frame["t_s"].to_numpy(), (frame["voltage_v"] * frame["current_a"]).to_numpy()
    assert found.samples == frame.height
    assert found.energy_wh == pytest.approx(np.trapezoid(power, t) / 3600, rel=1e-12)
    assert found.charge_ah == pytest.approx(np.trapezoid(frame["current_a"].to_numpy(), t) / 3600, rel=1e-12)
    late = t >= t[-1] - 600
    assert found.slope_k_per_h == pytest.approx(
        np.polyfit(t[late], frame["temperature_c"].to_numpy()[late], 1)[0] * 3600, rel=1e-6
    )
    assert found.is_off
    voltage = strip(trace, "voltage_v", 80)
    assert np.nanmin(voltage.lowest) == frame["voltage_v"].min()
    assert np.nanmax(voltage.highest) == frame["voltage_v"].max()


def test_a_dropout_of_one_sample_is_a_notch_in_a_long_log() -> None:
    n = 200_000
    volts = np.full(n, 20.0)
    volts[123_456] = 0.0
    trace = GrowingTrace()
    trace.add(pl.DataFrame({"t_s": np.arange(n, dtype=float), "voltage_v": volts}))
    assert (strip(trace, "voltage_v", 100).lowest == 0.0).sum() == 1


def test_a_channel_that_comes_late_and_one_that_ends_leave_blanks() -> None:
    trace = GrowingTrace()
    trace.add(pl.DataFrame({"t_s": [0.0, 1.0], "voltage_v": [5.0, 5.0]}))
    trace.add(pl.DataFrame({"t_s": [2.0, 3.0], "temperature_c": [30.0, 61.0]}))
    assert trace.figures().last == {"voltage_v": 5.0, "temperature_c": 61.0}
    assert np.isnan(strip(trace, "temperature_c", 4).lowest[:2]).all()


def test_a_limit_that_is_passed_is_told() -> None:
    stop = Limit("temperature_c", 60.0, "stop over 60 °C", stops=True)
    trace = GrowingTrace([stop])
    trace.add(pl.DataFrame({"t_s": [0.0], "temperature_c": [60.0]}))
    assert trace.figures().passed == ()
    trace.add(pl.DataFrame({"t_s": [1.0], "temperature_c": [60.1]}))
    assert trace.figures().passed == (stop,)
    plan = BenchPlan("PB-01", "discharge")
    text = "\n".join(text_of(of) for of in bench_lines(plan, trace, Look(), width=80, height=21, state="following"))
    assert "STOP     stop over 60 °C is passed" in text


TEST = CourseTest("at full power", "discharge", ("power bank",), "port", ambient_c=None, caution="Hot.")


def test_the_next_test_takes_over_what_stays(tmp_path: Path) -> None:
    before = BenchPlan("PB-01", "discharge", load="30 W", meter="M2", ambient_c="21.5", watched="/out")
    plan = plan_for("PB-01", TEST, CourseCell("C1", "fixed 20 V", "to do", (), 0, 3), before, 12.0)
    assert (plan.meter, plan.ambient_c, plan.watched, plan.load) == ("M2", "21.5", "/out", "30 W")
    assert plan.words() == "PB-01 C1 fixed 20 V at full power at 30 W"
    facts = plan.facts()
    assert (facts.device, facts.kind, facts.ambient_c, facts.meter) == ("PB-01", "discharge", 21.5, "M2")


def test_a_plan_is_kept_and_what_is_no_plan_is_none(tmp_path: Path) -> None:
    settings, library = tmp_path / "view.json", tmp_path / "library"
    plan = BenchPlan("PB-01", "heat", ticked=[0], notes=["0:01:00 fan off"])
    assert kept_plan(settings, library) is None
    keep_plan(settings, library, plan)
    assert kept_plan(settings, library) == plan
    assert kept_plan(settings, tmp_path / "other") is None
    (file,) = (tmp_path / "bench").iterdir()
    whole = json.loads(file.read_text())
    for text in (
        "",
        "[]",
        "{}",
        '{"library": 1}',
        json.dumps({**whole, "notes": [1]}),
        json.dumps({**whole, "port": 3}),
    ):
        file.write_text(text)
        assert kept_plan(settings, library) is None, text
    keep_plan(settings, library, None)
    assert not file.exists()


@pytest.mark.parametrize("size", [(60, 14), (80, 21), (160, 42)])
def test_lines_fit(size: tuple[int, int]) -> None:
    trace = GrowingTrace([Limit("temperature_c", 45.0, "claimed: at most 45 °C")])
    trace.add(drawn(np.random.default_rng(1), 900))
    plan = BenchPlan("PB-01", "discharge", caution="Lithium cells: stay within reach. " * 2, notes=["0:01:00 a note"])
    for look in (Look(), Look("ascii", ASCII_SIGNS)):
        lines = bench_lines(
            plan, trace, look, width=size[0], height=size[1], state="following log.csv", expected_s=7200
        )
        assert len(lines) <= size[1]
        assert max(len(text_of(of).rstrip()) for of in lines) <= size[0]
    assert all(text_of(of).isascii() for of in lines)
