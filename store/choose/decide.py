"""From a need and candidates to an answer: gates, who is dominated, scores with rank sets, how firm it is, in words.

Knows the terms of a choice only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from store.choose.gates import GateOutcome, is_shut_out, pass_gates
from store.choose.score import BreakEven, break_evens, dominated, geometric_score, score, shares_of
from store.choose.shares import WinShares, win_shares
from store.choose.terms import Candidate, Criterion, Need
from store.judge.differences import RankSet, rank_sets
from store.judge.measured import Measured
from store.uncertainty.decision import TOO_CLOSE

__all__ = ["Placed", "Ranking", "choose", "place"]

WORTH_NAMING = 0.05
"""A device is named for somebody where it is the first in this share of all weightings; chosen by us."""


@dataclass(frozen=True, slots=True)
class Placed:
    """One device that meets the requirements."""

    candidate: Candidate
    shares: tuple[float, ...]
    """Between the anchors, by criterion."""
    score: Measured
    geometric: float
    """The weighted geometric mean of the shares: where it orders otherwise, a weak point was bought off."""
    rank: RankSet
    dominated_by: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
    """Gates at which it is too close to call."""


@dataclass(frozen=True, slots=True)
class Ranking:
    """The answer to a need, with all its inputs."""

    need: Need
    outcomes: tuple[GateOutcome, ...]
    """Every device at every gate."""
    shut_out: tuple[str, ...]
    placed: tuple[Placed, ...]
    """Those that meet the gates, the highest score first."""
    no_value: tuple[tuple[str, str], ...]
    """(device, reason) of those that meet the gates but can't be scored."""
    shares: WinShares | None
    break_evens: tuple[BreakEven, ...]
    answer: str
    """`First: B, first in 81 % of weightings near the stated ones, 62 % of all; A if you carry it`."""
    notes: tuple[str, ...] = ()


def choose(need: Need, candidates: Sequence[Candidate]) -> Ranking:
    """Answer a need.

    Args:
        need: Gates, criteria with weights.
        candidates: Devices of the need's kind with a value, or a reason, for each of its terms.
    """
    outcomes: list[GateOutcome] = []
    inside: list[Candidate] = []
    shut: list[Candidate] = []
    for candidate in candidates:
        at_gates = pass_gates(candidate, need.gates, claims_are_gate=need.claims_are_gate, excused=need.excused)
        outcomes += at_gates
        (shut if is_shut_out(at_gates, keeps_unsure=need.keeps_unsure) else inside).append(candidate)
    weighable, missing = _weighable(inside, need.criteria)
    placed = place(weighable, need.criteria)
    unsure = {
        device: tuple(o.gate for o in outcomes if o.device == device and o.verdict == TOO_CLOSE)
        for device in {o.device for o in outcomes}
    }
    placed = tuple(replace(item, unsure=unsure[item.candidate.device]) for item in placed)
    shares = win_shares([item.candidate for item in placed], need.criteria) if len(placed) > 1 else None
    evens = break_evens([item.candidate for item in placed], need.criteria) if len(placed) > 1 else ()
    return Ranking(
        need,
        tuple(outcomes),
        tuple(candidate.device for candidate in shut),
        placed,
        missing,
        shares,
        evens,
        _answer(placed, need.criteria, shares, bool(candidates)),
        _notes(placed, need.criteria),
    )


def _weighable(
    inside: Sequence[Candidate], criteria: Sequence[Criterion]
) -> tuple[list[Candidate], tuple[tuple[str, str], ...]]:
    whole, missing = [], []
    for candidate in inside:
        lacking = [c for c in criteria if c.term not in candidate.values]
        if not lacking:
            whole.append(candidate)
        else:
            why = "; ".join(f"{c.title}: {candidate.reasons.get(c.term, 'no test says').rstrip('.')}" for c in lacking)
            missing.append((candidate.device, why))
    return whole, tuple(missing)


def place(candidates: Sequence[Candidate], criteria: Sequence[Criterion]) -> tuple[Placed, ...]:
    """Score, rank sets and domination of devices that have every value; the highest score first."""
    if not candidates or not criteria:
        return ()
    scores = [score(candidate, criteria) for candidate in candidates]
    ranks = rank_sets(scores)
    beaten = dominated(candidates, criteria)
    weights = [criterion.weight for criterion in criteria]
    placed = [
        Placed(
            candidate,
            shares_of(candidate, criteria),
            value,
            geometric_score(shares_of(candidate, criteria), weights),
            rank,
            beaten.get(candidate.device, ()),
        )
        for candidate, value, rank in zip(candidates, scores, ranks, strict=True)
    ]
    return tuple(sorted(placed, key=lambda item: (-item.score.value, item.candidate.device)))


def _answer(placed: Sequence[Placed], criteria: Sequence[Criterion], shares: WinShares | None, has_any: bool) -> str:
    if not has_any:
        return "No device of this kind is in the library."
    if not placed:
        return "No tested device meets the requirements."
    if shares is None:
        return f"Only {placed[0].candidate.device} meets the requirements."
    for_most = _for_most(shares)
    named = [f"First: {' or '.join(for_most)}, {_how_sure(shares, for_most)}"]
    for criterion, devices in _favoured(shares, criteria).items():
        others = [device for device in devices if device not in for_most]
        if others:
            named.append(f"{' or '.join(others)} if {criterion}")
    return "; ".join(named)


def _how_sure(shares: WinShares, devices: Sequence[str]) -> str:
    """In which share of weightings one of these is first; never 0 or 100 %, for they are draws."""
    near = sum(shares.first(device) for device in devices)
    anyhow = sum(shares.any_weights[shares.devices.index(device)][0] for device in devices)
    return f"first in {_percent(near)} of weightings near the stated ones, {_percent(anyhow)} of all"


def _percent(share: float) -> str:
    return "under 1 %" if share < 0.01 else "over 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def _for_most(shares: WinShares) -> list[str]:
    """The first in over half of the draws near the stated weights, or the few that together make over half."""
    names, total = [], 0.0
    for device in sorted(shares.devices, key=lambda name: (-shares.first(name), name)):
        names.append(device)
        total += shares.first(device)
        if total > 0.5:
            break
    return names


def _favoured(shares: WinShares, criteria: Sequence[Criterion]) -> dict[str, list[str]]:
    """For whom each device is the first: the named criterion that its central weights favour most.

    Central weights are the mean of all weights that make a device the first; a device that is the first in under
    `WORTH_NAMING` of all weightings is for nobody.
    """
    found: dict[str, list[str]] = {}
    named = [index for index, criterion in enumerate(criteria) if criterion.words]
    order = sorted(range(len(shares.devices)), key=lambda k: -shares.any_weights[k][0])
    for k in order:
        central = shares.central[k]
        if central is not None and named and shares.any_weights[k][0] >= WORTH_NAMING:
            top = max(named, key=lambda index: central[index])
            found.setdefault(criteria[top].words, []).append(shares.devices[k])
    return {c.words: found[c.words] for c in criteria if c.words in found}


def _notes(placed: Sequence[Placed], criteria: Sequence[Criterion]) -> tuple[str, ...]:
    if len(placed) < 2:
        return ()
    beaten = [item for item in placed if item.dominated_by]
    notes = []
    if not beaten:
        notes.append("No device is worse than another on every criterion.")
    else:
        notes += [
            f"{item.candidate.device} is dominated by {' and '.join(item.dominated_by)}: better on no criterion."
            for item in beaten
        ]
    unknown = [
        f"{item.candidate.device} ({criterion.title})"
        for item in placed
        for criterion in criteria
        if item.candidate.values[criterion.term].uncertainty is None
    ]
    if unknown:
        notes.append(
            f"Uncertainty not known: {', '.join(unknown)}. Ranks can't be separated there; shares of first places take "
            "these values as exact."
        )
    by_geometric = sorted(placed, key=lambda item: -item.geometric)
    if [i.candidate.device for i in by_geometric] != [i.candidate.device for i in placed]:
        order = ", ".join(item.candidate.device for item in by_geometric)
        notes.append(f"With a geometric mean, which compensates weak points less, the order is {order}.")
    return tuple(notes)
