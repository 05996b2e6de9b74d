"""How long a load was held where the meter's link was lost: what can't be known is said, and proves nothing."""

from __future__ import annotations

import numpy as np
import pytest

from store.judge.derived.sustained import sustained_power
from store.judge.measured import RunEvidence
from store.model.results import Flag, Result
from store.validation.closed_forms import results_of


def log(gap: tuple[float, float] | None, back_to: float = 3.0) -> dict[str, np.ndarray]:
    """An hour at 20 V and 3 A with a minute of rest at the end; samples within the gap are missing."""
    t = np.arange(0.0, 3661.0, 1.0)
    current = np.where((t > 0.0) & (t < 3600.0), 3.0, 0.0)
    if gap is not None:
        current[(t >= gap[1]) & (t < 3600.0)] = back_to
        keep = (t <= gap[0]) | (t >= gap[1])
        t, current = t[keep], current[keep]
    return {"t_s": t, "voltage_v": np.where(t < 3600.0, 20.0, 0.0), "current_a": current}


def held(columns: dict[str, np.ndarray]) -> Result:
    """The time at the set load."""
    return results_of(columns, "discharge", load_set="60 W")["held_s"]


def test_a_whole_log_gives_the_time_itself():
    """No gap, no bound."""
    found = held(log(None))
    assert found.value == pytest.approx(3600.0, abs=2.0)
    assert not found.warnings


def test_a_gap_in_the_middle_makes_it_a_lower_bound():
    """Two minutes without samples: 40 minutes are shown, more is likely and not shown."""
    found = held(log((2400.0, 2520.0)))
    assert found.value == pytest.approx(2400.0, abs=2.0)
    assert Flag.AT_LEAST in found.flags
    assert "120 s" in found.warnings[0]


def test_a_load_that_came_back_lower_was_not_held():
    """After the gap the load is half of what was set: the time before it is what there was, give or take the gap."""
    found = held(log((2400.0, 2520.0), back_to=1.5))
    assert found.value == pytest.approx(2400.0, abs=2.0)
    assert not found.warnings


def evidence(number: int, load: str, columns: dict[str, np.ndarray]) -> RunEvidence:
    """The run as evidence."""
    results = results_of(columns, "discharge", load_set=load)
    return RunEvidence(number, "C1", "fixed 20 V", "discharge", load_set=load, ambient_c=22.0, results=results)


def test_sustained_power_takes_a_log_with_a_gap_neither_for_nor_against():
    """Another run at that load decides; alone it leaves the lower load as the figure."""
    broken, whole = log((2400.0, 2520.0)), log(None)
    assert sustained_power([evidence(1, "60 W", broken)]).power_w is None
    assert sustained_power([evidence(1, "60 W", broken), evidence(2, "60 W", whole)]).run_ids == (2,)
