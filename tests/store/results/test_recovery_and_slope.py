"""How a port comes back after a trip, and what is known of the slope of a temperature that never moved."""

from __future__ import annotations

import numpy as np
import pytest

from store.methods import reduce_run
from store.model.results import Array, ArrayTrace, Event, MeterAccuracy, Reduction, Result, RunContext


def ramp(after_v: Array, *, amps_after: float = 0.0) -> ArrayTrace:
    """20 V up to 4 A in 40 s, a trip, 10 s of nothing, then the voltages given, one per 0.1 s."""
    rising = np.linspace(0.5, 4.0, 400)
    nothing = np.zeros(100)
    volts = np.concatenate((20.0 - 0.05 * rising, nothing, after_v))
    amps = np.concatenate((rising, nothing, np.full(len(after_v), amps_after)))
    return ArrayTrace({"t_s": 0.1 * np.arange(len(volts)), "voltage_v": volts, "current_a": amps})


def overloaded(trace: ArrayTrace) -> Reduction:
    """The results of an overload at 20 V."""
    return reduce_run(trace, RunContext("overload", "out", mode="fixed 20 V"))


def word(reduction: Reduction) -> str:
    """What is said of the recovery."""
    return next(result.text or "" for result in reduction.results if result.name == "recovery")


def recoveries(reduction: Reduction) -> list[Event]:
    """Events of a recovery."""
    return [event for event in reduction.events if event.kind == "recovery"]


def test_a_port_that_returns_at_five_volts_has_recovered() -> None:
    """After a 20 V trip a port offers its default 5 V until a new contract is made."""
    found = overloaded(ramp(np.full(200, 5.02)))
    assert word(found).startswith("by itself within the log, after 10.")
    assert "at 5.02 V: a new contract must be made" in word(found)
    (event,) = recoveries(found)
    assert event.from_s == pytest.approx(50.0, abs=0.2)
    assert event.value == pytest.approx(5.02)


def test_a_port_that_returns_at_its_voltage_needs_no_new_contract() -> None:
    found = overloaded(ramp(np.full(200, 20.0)))
    assert word(found).startswith("by itself within the log, after 10.")
    assert "contract" not in word(found)
    assert recoveries(found)


@pytest.mark.parametrize(
    "after",
    [
        np.zeros(200),
        np.full(200, 3.3),  # below what any port offers
        np.where(np.arange(200) % 20 < 10, 5.0, 0.0),  # tries again and again, and never holds for 2 s
        np.linspace(20.0, 4.3, 200)[::-1] * 0.5,  # no steady voltage
    ],
    ids=["stays off", "too low", "hiccups", "creeps"],
)
def test_what_is_no_recovery(after: Array) -> None:
    found = overloaded(ramp(after))
    assert word(found).startswith("not seen")
    assert not recoveries(found)


def test_a_sag_under_load_is_no_recovery() -> None:
    """Current limiting at 5 V with the load still there."""
    assert word(overloaded(ramp(np.full(200, 5.0), amps_after=3.5))).startswith("not seen")


def slope(case_c: Array, accuracy: str = "1 K") -> Result:
    """The slope at the end of a half-hour run with these temperatures, one per second."""
    n = len(case_c)
    columns = {
        "t_s": np.arange(float(n)), "voltage_v": np.full(n, 9.0), "current_a": np.ones(n), "temperature_c": case_c
    }  # fmt: skip
    context = RunContext("heat", "out", meter=MeterAccuracy("M1", "", "", accuracy))
    return next(r for r in reduce_run(ArrayTrace(columns), context).results if r.name == "end_slope_k_per_h")


def test_a_temperature_that_never_moved_has_a_slope_of_unknown_uncertainty() -> None:
    """Not 0 +- 0: nothing shows how fine the thermometer's steps are."""
    found = slope(np.full(1800, 31.0))
    assert found.value == pytest.approx(0.0, abs=1e-9)
    assert found.uncertainty is None
    assert "never changed" in found.reason


def test_a_flat_end_is_known_to_the_thermometers_steps() -> None:
    """Steps of 0.5 K at both ends of 10 min, rectangular: 0.5 / sqrt 6 K per 1/6 h (GUM F.2.2.1)."""
    found = slope(np.minimum(np.round(20.0 + np.arange(1800.0) / 100.0) / 2.0 + 10.0, 25.0))
    assert found.value == pytest.approx(0.0, abs=1e-9)
    assert found.uncertainty == pytest.approx(0.5 / np.sqrt(6.0) * 6.0, rel=1e-9)
