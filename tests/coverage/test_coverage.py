"""Value +- expanded holds the truth in 90 to 100 of 100 logs, and is no wider than half again what it must be.

Each case draws truths, and of each truth several logs by meters inside their accuracy, with any phase of sampling.
`-m long -s` prints the whole table; the environment's JOULEBOOK_SEED draws other worlds.
"""

from __future__ import annotations

import os
from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from tests.coverage import discharges, sweeps
from tests.coverage.held import Tally, World, table, tallies

SEED = int(os.environ.get("JOULEBOOK_SEED", "20261128"))

CASES: dict[str, Callable[[np.random.Generator], World]] = {
    "discharge": discharges.discharge,
    "cutback": discharges.cutback,
    "noisy hold": discharges.noisy_hold,
    "fading": discharges.fading,
    "recharge": discharges.recharge,
    "long taper": discharges.long_taper,
    "bursts": discharges.bursts,
    "noisy idle": discharges.noisy_idle,
    "ramp": sweeps.ramp,
    "stairs": sweeps.stairs,
    "sweep": sweeps.sweep,
    "few levels": sweeps.few_levels,
    "cable": sweeps.cable,
    "heat": sweeps.heat,
    "light load": sweeps.light,
    "dropouts": sweeps.dropouts,
    "pauses": sweeps.pauses,
    "adapter": sweeps.adapter,
    "no load": sweeps.no_load,
    "display": sweeps.display,
}


def watched(name: str, truths: int, logs: int) -> list[Tally]:
    """The tallies of a case, printed."""
    found = tallies(name, CASES[name], seed=SEED, truths=truths, logs=logs)
    print(f"\n{name}, seed {SEED}\n{table(found.values())}")
    return list(found.values())


@pytest.mark.parametrize("name", CASES)
def test_the_truth_is_held_in_twenty_logs(name: str) -> None:
    """Four truths, five logs each, seeds fixed: at 95 % so few held would be seen once in a thousand."""
    for tally in watched(name, 4, 5):
        assert stats.binom.cdf(tally.held, tally.drawn, 0.95) > 1e-3, tally.line()
        assert tally.worst < 6.0, tally.line()


@pytest.mark.long
@pytest.mark.parametrize("name", CASES)
def test_the_truth_is_held_in_two_hundred_logs_no_wider_than_must_be(name: str) -> None:
    for tally in watched(name, 10, 20):
        assert tally.drawn >= 40, tally.line()
        assert tally.share >= (0.9 if tally.drawn >= 100 else 0.85), tally.line()
        assert tally.width <= 1.5 or tally.drawn < 100, tally.line()


def test_a_too_narrow_uncertainty_is_found() -> None:
    """The count itself: a third of the +- does not hold the truth as often."""
    found = tallies("light load", CASES["light load"], seed=SEED, truths=4, logs=10, share=1.0 / 3.0)
    assert found["stayed_on_a"].share < 0.9
