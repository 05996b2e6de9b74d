"""A weighted score between fixed anchors, who is dominated, and where the answer tips.

Knows the terms of a choice; knows no file, no catalogue and no screen.

Sources: Nardo et al., Handbook on constructing composite indicators, OECD/JRC 2008 (normalisation, weights,
sensitivity); GUM (JCGM 100) eq. 16 for the uncertainty of a sum with shared errors.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from store.choose.terms import Candidate, Criterion
from store.judge.differences import difference
from store.judge.measured import ErrorKey, Measured

__all__ = ["BreakEven", "break_evens", "dominated", "geometric_score", "score", "shares_of", "weighted"]


@dataclass(frozen=True, slots=True)
class BreakEven:
    """Weight moved from one criterion to another until the leader is passed."""

    to: str
    """Title of the criterion that gains weight."""
    source: str
    """Title of the criterion that loses it."""
    weight: float
    """Weight of `to` at which both stand equal."""
    source_weight: float
    """Weight of `source` there."""
    device: str
    """Who passes the leader beyond it."""


def shares_of(candidate: Candidate, criteria: Sequence[Criterion]) -> tuple[float, ...]:
    """Each value between its anchors, 0 to 1, in the order of the criteria."""
    return tuple(criterion.score(candidate.values[criterion.term].value) for criterion in criteria)


def weighted(shares: Sequence[float], weights: Sequence[float]) -> float:
    """Sum of share x weight."""
    return math.fsum(share * weight for share, weight in zip(shares, weights, strict=True))


def score(candidate: Candidate, criteria: Sequence[Criterion]) -> Measured:
    """The weighted score with its standard uncertainty; what one meter shares stays shared.

    An uncertainty that is unknown makes that of the score unknown. A value beyond an anchor adds none.
    """
    total, variance, fourth = 0.0, 0.0, 0.0
    common: dict[ErrorKey, float] = {}
    is_known = True
    runs: list[int] = []
    for criterion in criteria:
        value = candidate.values[criterion.term]
        slope = criterion.weight / (criterion.best - criterion.worst)
        total += criterion.weight * criterion.score(value.value)
        runs += value.run_ids
        if value.uncertainty is None or value.independent is None:
            is_known = False
        elif 0.0 < (value.value - criterion.worst) / (criterion.best - criterion.worst) < 1.0:
            variance += (slope * value.independent) ** 2
            fourth += slope**4 * value.fourth
            for key, part in value.common.items():
                common[key] = common.get(key, 0.0) + slope * part
    square = variance + math.fsum(part**2 for part in common.values())
    dof = square * square / fourth if fourth > 0.0 else None
    return Measured(
        total, "1", math.sqrt(square) if is_known else None, tuple(dict.fromkeys(runs)), common=common, dof=dof
    )


def geometric_score(shares: Sequence[float], weights: Sequence[float]) -> float:
    """Weighted geometric mean: a weak point can be bought off less. 0 where one share is 0."""
    if min(shares) <= 0.0:
        return 0.0
    return math.exp(math.fsum(w * math.log(s) for s, w in zip(shares, weights, strict=True)))


def dominated(candidates: Sequence[Candidate], criteria: Sequence[Criterion]) -> dict[str, tuple[str, ...]]:
    """Who is beaten by somebody who is no worse in anything and surely better in something; and by whom.

    Surely: differing by more than the uncertainty of the difference allows.
    """
    found: dict[str, tuple[str, ...]] = {}
    for one in candidates:
        by = tuple(o.device for o in candidates if o is not one and _dominates(o, one, criteria, len(candidates)))
        if by:
            found[one.device] = by
    return found


def _dominates(one: Candidate, other: Candidate, criteria: Sequence[Criterion], count: int) -> bool:
    is_surely_better = False
    for criterion in criteria:
        sign = 1.0 if criterion.is_larger_better else -1.0
        gap = difference(one.values[criterion.term], other.values[criterion.term], count)
        if sign * gap.value < 0.0:
            return False
        is_surely_better |= gap.is_told_apart and sign * gap.value > 0.0
    return is_surely_better


def break_evens(candidates: Sequence[Candidate], criteria: Sequence[Criterion]) -> tuple[BreakEven, ...]:
    """For each ordered pair of criteria, the smallest shift of weight that brings another device to the top.

    A score is linear in the weights, so the shift t at which two devices stand equal is
    (S_leader - S_other) / ((r_i - r_j)_other - (r_i - r_j)_leader), with r the shares between the anchors.
    """
    weights = [criterion.weight for criterion in criteria]
    shares = {c.device: shares_of(c, criteria) for c in candidates}
    scores = {device: weighted(row, weights) for device, row in shares.items()}
    leader = max(scores, key=lambda device: scores[device])
    found = []
    for i, to in enumerate(criteria):
        for j, source in enumerate(criteria):
            if i == j:
                continue
            shifts = []
            for device, row in shares.items():
                gain = (row[i] - row[j]) - (shares[leader][i] - shares[leader][j])
                if device != leader and gain > 0.0:
                    shifts.append(((scores[leader] - scores[device]) / gain, device))
            shifts = [(shift, device) for shift, device in shifts if shift <= weights[j]]
            if shifts:
                shift, device = min(shifts)
                found.append(BreakEven(to.title, source.title, weights[i] + shift, weights[j] - shift, device))
    return tuple(found)
