"""A measured value held against a claimed bound: the rule by which words are published.

Knows numbers only. Decision rule: ILAC-G8:09/2019 with guard band w = U (k = 2), probabilities by JCGM 106:2012
for a normal distribution.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from store.uncertainty.freedom import coverage_factor
from store.uncertainty.student import t_cdf

__all__ = [
    "AS_MARKED",
    "COVERAGE",
    "MET",
    "NOT_AT_PORT",
    "NOT_CHECKABLE",
    "NOT_MET",
    "NOT_TESTED",
    "TOO_CLOSE",
    "VERDICTS",
    "Decision",
    "Limits",
    "Verdict",
    "decide",
    "decide_zone",
    "limits_of",
    "probability_of_conformity",
]

MET = "met"
NOT_MET = "not met"
TOO_CLOSE = "too close to call"
NOT_TESTED = "not tested"
NOT_CHECKABLE = "not checkable"
NOT_AT_PORT = "not checkable at the port"
"""A rating of the cells, which no port delivers."""
AS_MARKED = "as marked"
"""What is only read off the case: it agrees, and nothing was measured."""
VERDICTS: tuple[str, ...] = (MET, NOT_MET, TOO_CLOSE, NOT_TESTED, NOT_CHECKABLE, NOT_AT_PORT, AS_MARKED)

COVERAGE = 2.0
"""k of the expanded uncertainty U = k u: about 95 % [GUM]."""

UNKNOWN_MARGIN = 0.02
"""With an unknown uncertainty nothing is called within this share of the limit.

Chosen by us: IEC 61960-3 allows 1 % of error each for voltage and current (from memory), so 2 % for their product.
"""

_ROUNDING = 1e-12


@dataclass(frozen=True, slots=True)
class Limits:
    """The interval that a claim allows; None is unbounded."""

    lower: float | None = None
    upper: float | None = None

    def words(self, unit: str) -> str:
        """`at least 48 Wh`, `4.75 to 5.25 V`."""
        if self.lower is None and self.upper is None:
            return "any value"
        if self.upper is None:
            return f"at least {self.lower:.6g} {unit}".rstrip()
        if self.lower is None:
            return f"at most {self.upper:.6g} {unit}".rstrip()
        return f"{self.lower:.6g} to {self.upper:.6g} {unit}".rstrip()


@dataclass(frozen=True, slots=True)
class Decision:
    """What a value and its uncertainty say about limits."""

    verdict: str
    probability: float | None
    """Probability that the true value lies within the limits; None where the uncertainty is unknown."""
    margin: float
    """Distance to the nearer limit, in the value's unit; positive inside."""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """A claim held against results, ready to be stored, listed and published."""

    device: str
    position: int
    """1-based place of the claim in its sheet."""
    claim: str
    """The claim in a line."""
    verdict: str
    """One of VERDICTS."""
    measured: float | None
    unit: str
    uncertainty: float | None
    """Standard uncertainty (k = 1), in `unit`; None where unknown."""
    probability: float | None
    """Of conformity; None where the uncertainty is unknown."""
    lower: float | None
    upper: float | None
    """What the claim allows, in `unit`."""
    reason: str
    run_ids: tuple[int, ...]
    measured_text: str = ""
    """What was found, where that is words."""
    printed_on: str = ""
    dof: float | None = None
    """Effective degrees of freedom of the uncertainty; None where they are many."""


def limits_of(bound: str, value: float, tolerance_percent: float | None = None) -> Limits:
    """The interval that a claim allows.

    Args:
        bound: `at least`, `at most` or `about`.
        value: The claimed value.
        tolerance_percent: Half-width of `about` in percent of the value.

    Raises:
        ValueError: another bound, or `about` without a tolerance.
    """
    if bound == "at least":
        return Limits(lower=value)
    if bound == "at most":
        return Limits(upper=value)
    if bound == "about":
        if tolerance_percent is None:
            raise ValueError("`about` needs `tolerance_percent`.")
        half = abs(value) * tolerance_percent / 100
        return Limits(value - half, value + half)
    raise ValueError(f"`{bound}` is not a bound. Write at least, at most or about.")


def probability_of_conformity(value: float, uncertainty: float, limits: Limits, dof: float | None = None) -> float:
    """Probability that the true value lies within the limits: normal, or Student's t with few degrees of freedom.

    Args:
        value: Best estimate.
        uncertainty: Standard uncertainty (k = 1), 0 or more, in the same unit.
        limits: The interval that is allowed; its ends belong to it.
        dof: Degrees of freedom of the uncertainty; None where they are many.

    Source: JCGM 106:2012, 7.2 to 7.4: Phi((upper - y)/u) - Phi((lower - y)/u).
    """
    if uncertainty <= 0.0:
        return 1.0 if _margin(value, limits) >= -_slack(value, limits) else 0.0
    degrees = math.inf if dof is None else max(dof, 1.0)
    above = 1.0 if limits.upper is None else t_cdf((limits.upper - value) / uncertainty, degrees)
    below = 0.0 if limits.lower is None else t_cdf((limits.lower - value) / uncertainty, degrees)
    return above - below


def decide(value: float, uncertainty: float | None, limits: Limits, dof: float | None = None) -> Decision:
    """Met, not met, or too close to call.

    Met inside by at least U, not met outside by at least U, otherwise too close to call; U = k u with k = 2, or
    Student's t where degrees of freedom are few. On the limit exactly with U = 0 is met. An unknown
    uncertainty is not zero: the limit itself decides, but nothing is called within UNKNOWN_MARGIN of it, and the reason
    says so.

    Args:
        value: Measured.
        uncertainty: Standard uncertainty (k = 1), in the same unit; None where unknown.
        limits: What the claim allows.
        dof: Degrees of freedom of the uncertainty; None where they are many.
    """
    margin, slack = _margin(value, limits), _slack(value, limits)
    if uncertainty is None:
        return _decide_unknown(value, margin, limits)
    guard = coverage_factor(math.inf if dof is None else dof) * uncertainty
    chance = probability_of_conformity(value, uncertainty, limits, dof)
    if margin >= guard - slack:
        return Decision(MET, chance, margin)
    if -margin >= guard - slack:
        return Decision(NOT_MET, chance, margin)
    return Decision(TOO_CLOSE, chance, margin, f"Probability that the claim is met: {_chance_words(chance)}.")


def decide_zone(value: float, uncertainty: float, limits: Limits) -> str:
    """The four words of ILAC-G8's non-binary rule with w = U, for laboratories that publish them.

    Returns:
        `pass`, `conditional pass`, `conditional fail` or `fail`. On the limit exactly is a conditional pass
        (the text leaves it open; fixed by us).
    """
    margin, slack = _margin(value, limits), _slack(value, limits)
    guard = COVERAGE * uncertainty
    if margin >= 0:
        return "pass" if margin >= guard - slack else "conditional pass"
    return "fail" if -margin >= guard - slack else "conditional fail"


def _decide_unknown(value: float, margin: float, limits: Limits) -> Decision:
    said = "The uncertainty is unknown: compared with the limit itself, without a guard band."
    nearest = min((limit for limit in (limits.lower, limits.upper) if limit is not None), key=lambda x: abs(value - x))
    if abs(value - nearest) < UNKNOWN_MARGIN * abs(nearest):
        near = f"The uncertainty is unknown, and the value is within {100 * UNKNOWN_MARGIN:.0f} % of the limit."
        return Decision(TOO_CLOSE, None, margin, near)
    return Decision(MET if margin >= 0 else NOT_MET, None, margin, said)


def _margin(value: float, limits: Limits) -> float:
    """Distance to the nearer limit, positive inside."""
    above = math.inf if limits.lower is None else value - limits.lower
    below = math.inf if limits.upper is None else limits.upper - value
    return min(above, below)


def _slack(value: float, limits: Limits) -> float:
    """What rounding of floats may cost: 5.25 - 0.10 is not 5.15."""
    return _ROUNDING * max(abs(value), abs(limits.lower or 0.0), abs(limits.upper or 0.0))


def _chance_words(chance: float) -> str:
    if chance < 0.01:
        return "under 1 %"
    return "over 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"
