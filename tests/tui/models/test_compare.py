"""Runs side by side: what one meter shares cancels, unlike conditions are said, a channel that exists is shown."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

from importers.schema import Facts
from store import Library
from store.judge.measured import Measured
from store.model.records import Meter
from tests.builders import add_run, make_run, write_export
from tests.tui.harness import app_on, press, screen_text, settle
from tui.screens.compare import CompareScreen
from tui.state.compare import CompareModel
from tui.state.look import Look


def view(run_id: int) -> SimpleNamespace:
    return SimpleNamespace(facts=SimpleNamespace(run_id=run_id))


def energy(value: float, meter: str) -> dict[str, Measured]:
    """57.4 Wh by a meter with a gain of 0.8 % (k = 2) that all its results share, and 0.25 Wh of its own."""
    gain = 0.004 * value
    u = (gain**2 + 0.25**2) ** 0.5
    return {"energy_wh": Measured(value, "Wh", u, common={f"{meter}: gain": gain})}


@pytest.mark.parametrize(("meters", "told"), [(("M1", "M1"), ("-0.80", True)), (("M1", "M2"), ("(-0.8)", False))])
def test_what_one_meter_shares_cancels(meters, told):
    """U_d is 0.955 Wh for two meters and 0.707 Wh for one, by u_d^2 = u1^2 + u2^2 - 2 cov (JCGM 100:2008, eq. 16).

    The figures are worked from that equation: 0.8 Wh apart is a difference by one meter and none by two.
    """
    model = CompareModel(Look())
    model.measured = {1: energy(57.4, meters[0]), 2: energy(56.6, meters[1])}
    text, is_apart = model._difference("energy_wh", view(2), view(1))
    assert is_apart is told[1]
    assert text.startswith(told[0][:4])


def test_an_unknown_uncertainty_is_said():
    model = CompareModel(Look())
    model.measured = {1: {"x": Measured(5.0, "V", None)}, 2: {"x": Measured(6.0, "V", None)}}
    assert model._difference("x", view(2), view(1)) == ("+1.000?", False)


@pytest.fixture
def library(tmp_path) -> Library:
    """Two discharges by one meter at unlike loads; neither logged power."""
    found = Library.create(tmp_path / "store", zone="UTC", who="tester")
    found.meters.add(Meter("M1", "0.8%", "0.8%", ""))
    for number, load in enumerate(("30 W", "60 W")):
        facts = Facts(device=f"PB-0{number + 1}", port="C1", mode="fixed 20 V", kind="discharge", load=load, meter="M1")
        frame = make_run(600, seed=number, amps=1.5 * (1 + number / 500)).drop("power_w")
        add_run(found, write_export(tmp_path, f"{number}.csv"), frame, facts=facts,
                started_at=datetime(2026, 2, 11 + number, tzinfo=UTC))  # fmt: skip
    return found


async def test_the_page_says_what_differs_and_what_it_shows(library):
    app = app_on(library)
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        app.push_screen(CompareScreen([1, 2]))
        await settle(pilot)
        text = screen_text(app)
        assert "Not at one load: 30 W, 60 W." in text
        assert "none of these runs logged power; voltage is shown" in text
        assert app.screen.model.channel == "voltage_v"
        assert "(not significant)" in text
        shared = library.results.measured([1, 2])
        assert shared[1]["energy_wh"].common
        await press(pilot, "w")
        assert "none of these runs has power" in screen_text(app)
