"""How often each device wins when weights and measurements vary: seeded, so that the same input gives the same shares.

Knows arrays and the terms of a choice.

Source: stochastic multicriteria acceptability analysis, Lahdelma, Hokkanen and Salminen 1998; Monte Carlo after
Tervonen and Lahdelma, EJOR 2007, doi 10.1016/j.ejor.2005.12.037.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from store.choose.terms import Candidate, Criterion
from store.model.results import Array

__all__ = ["DRAWS", "SEED", "WEIGHT_BAND", "WinShares", "win_shares"]

DRAWS = 100_000
"""Standard error of a share is at most 0.0016."""

SEED = 17025
"""Fixed and published: anyone gets the same shares."""

WEIGHT_BAND = 0.5
"""`near` weights: each drawn evenly within 50 % of the one stated, then scaled to add up to 1."""


@dataclass(frozen=True, slots=True)
class WinShares:
    """Shares of draws, by device in the order of the candidates."""

    devices: tuple[str, ...]
    any_weights: tuple[tuple[float, ...], ...]
    """[device][rank - 1]: share of draws in that rank, weights drawn evenly from all that add up to 1."""
    near_weights: tuple[tuple[float, ...], ...]
    """The same with weights within 50 % of those stated."""
    central: tuple[tuple[float, ...] | None, ...]
    """[device]: mean of the weights that made it the first; None where none did."""
    draws: int = DRAWS
    seed: int = SEED

    def first(self, device: str) -> float:
        """Share of draws near the stated weights in which a device is the first."""
        return self.near_weights[self.devices.index(device)][0]


def win_shares(
    candidates: Sequence[Candidate], criteria: Sequence[Criterion], *, draws: int = DRAWS, seed: int = SEED
) -> WinShares:
    """Draw weights and true values, and count ranks.

    Args:
        candidates: Each with a value for every criterion; an unknown uncertainty is drawn as 0, and must be said.
        criteria: With anchors and weights.
        draws: How many.
        seed: Of the generator.

    Errors that results share (one meter's gain) are drawn once per draw for all devices.
    """
    # The legacy generator's stream is frozen by NumPy's policy: the same shares on any machine and version.
    source = np.random.RandomState(seed)
    even = -np.log(1.0 - source.random_sample((draws, len(criteria))))
    stated = np.array([criterion.weight for criterion in criteria])
    near = stated * (1.0 + WEIGHT_BAND * (2.0 * source.random_sample((draws, len(criteria))) - 1.0))
    values = _drawn(candidates, criteria, draws, source)
    any_ranks, central = _ranks(values, even / even.sum(axis=1, keepdims=True))
    near_ranks, _ = _ranks(values, near / near.sum(axis=1, keepdims=True))
    return WinShares(tuple(c.device for c in candidates), any_ranks, near_ranks, central, draws, seed)


def _drawn(
    candidates: Sequence[Candidate], criteria: Sequence[Criterion], draws: int, source: np.random.RandomState
) -> Array:
    """Shares between the anchors, (draws, devices, criteria)."""
    keys = sorted({key for c in candidates for item in criteria for key in c.values[item.term].common})
    shared = {key: source.standard_normal(draws) for key in keys}
    values = np.empty((draws, len(candidates), len(criteria)))
    for row, candidate in enumerate(candidates):
        for column, criterion in enumerate(criteria):
            value = candidate.values[criterion.term]
            drawn = value.value + (value.independent or 0.0) * source.standard_normal(draws)
            for key, part in value.common.items():
                drawn = drawn + part * shared[key]
            between = (drawn - criterion.worst) / (criterion.best - criterion.worst)
            values[:, row, column] = np.clip(between, 0.0, 1.0)
    return values


def _ranks(values: Array, weights: Array) -> tuple[tuple[tuple[float, ...], ...], tuple[tuple[float, ...] | None, ...]]:
    scores = np.einsum("dnc,dc->dn", values, weights)
    order = np.argsort(-scores, axis=1, kind="stable")
    devices = values.shape[1]
    shares = tuple(
        tuple(float(np.mean(order[:, rank] == device)) for rank in range(devices)) for device in range(devices)
    )
    central = tuple(
        tuple(float(x) for x in weights[order[:, 0] == device].mean(axis=0)) if np.any(order[:, 0] == device) else None
        for device in range(devices)
    )
    return shares, central
