"""Gates: what shuts a device out before anything is weighed. Knows the terms of a choice and the decision rule only."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from store.choose.terms import Candidate, Gate
from store.uncertainty.decision import MET, NOT_MET, NOT_TESTED, TOO_CLOSE, Limits, decide

__all__ = ["CLAIMS", "SAFETY", "GateOutcome", "pass_gate", "pass_gates"]

CLAIMS = "every claim that was tested is kept"
SAFETY = "nothing unsafe was found"


@dataclass(frozen=True, slots=True)
class GateOutcome:
    """One device at one gate."""

    device: str
    gate: str
    verdict: str
    """`met`, `not met`, `too close to call` or `not tested`."""
    reason: str
    run_ids: tuple[int, ...] = ()


def pass_gate(candidate: Candidate, gate: Gate) -> GateOutcome:
    """Hold one device against one gate, by the decision rule of verdicts: guard band U."""
    if gate.term.quantity == "flight":
        return _flight(candidate, gate)
    value = candidate.values.get(gate.term)
    if value is None:
        reason = candidate.reasons.get(gate.term) or "Not tested."
        return GateOutcome(candidate.device, gate.words, NOT_TESTED, reason)
    if gate.term.quantity == "price" and gate.text and candidate.words.get("currency") != gate.text:
        stated = candidate.words.get("currency") or "no currency"
        reason = f"Its price is in {stated}, the need in {gate.text}: state it in {gate.text}."
        return GateOutcome(candidate.device, gate.words, NOT_TESTED, reason)
    decision = decide(value.value, value.uncertainty, gate.limits, value.dof)
    unit, scale = _shown_unit(gate)
    found = _reading(value.value / scale, None if value.expanded is None else value.expanded / scale, unit)
    lower, upper = (None if x is None else x / scale for x in (gate.limits.lower, gate.limits.upper))
    reason = f"{found} against {Limits(lower, upper).words(unit)}."
    if decision.reason:
        reason += f" {decision.reason}"
    return GateOutcome(candidate.device, gate.words, decision.verdict, reason, value.run_ids)


def _shown_unit(gate: Gate) -> tuple[str, float]:
    """The unit in which people read the gate's quantity, and its size: prices in their money, long times in hours."""
    if gate.term.quantity == "price":
        return gate.text, 1.0
    if gate.unit == "s" and max(gate.limits.lower or 0.0, gate.limits.upper or 0.0) >= 3600.0:
        return "h", 3600.0
    return "" if gate.unit == "1" else gate.unit, 1.0


def _reading(value: float, expanded: float | None, unit: str) -> str:
    shown = f" {unit}" if unit else ""
    if not expanded:
        return f"{value:.4g}{shown}"
    # Two significant digits of U, and the value to the same place [GUM 7.2.6].
    places = max(0, 1 - math.floor(math.log10(expanded)))
    return f"{value:.{places}f} ± {expanded:.{places}f}{shown}"


def _flight(candidate: Candidate, gate: Gate) -> GateOutcome:
    order = ("cabin", "approval", "cargo only")
    found = candidate.words.get("flight")
    if found not in order:
        return GateOutcome(candidate.device, gate.words, NOT_TESTED, "Its rated energy is not on its sheet.")
    allowed = order[: order.index(gate.text) + 1]
    verdict = MET if found in allowed else NOT_MET
    reason = f"Air travel class by rated energy: {found}. The operator's rules come first."
    return GateOutcome(candidate.device, gate.words, verdict, reason)


def pass_gates(
    candidate: Candidate, gates: Sequence[Gate], *, claims_are_gate: bool = True, excused: Sequence[str] = ()
) -> tuple[GateOutcome, ...]:
    """Hold one device against all gates; safety first, then its maker's claims, then the need's own."""
    outcomes = [GateOutcome(candidate.device, SAFETY, NOT_MET if candidate.safety else MET, " ".join(candidate.safety))]
    if claims_are_gate:
        broken = [claim for quantity, claim in candidate.failed_claims if quantity not in excused]
        reason = f"Not met: {'; '.join(broken)}." if broken else ""
        outcomes.append(GateOutcome(candidate.device, CLAIMS, NOT_MET if broken else MET, reason))
    outcomes += [pass_gate(candidate, gate) for gate in gates]
    return tuple(outcomes)


def is_shut_out(outcomes: Sequence[GateOutcome], *, keeps_unsure: bool) -> bool:
    """Whether a device does not come to be weighed: a gate not met, not tested, or (if asked) too close to call."""
    shut = {NOT_MET, NOT_TESTED} if keeps_unsure else {NOT_MET, NOT_TESTED, TOO_CLOSE}
    return any(outcome.verdict in shut for outcome in outcomes)
