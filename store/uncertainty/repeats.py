"""Whether repeats scatter as their stated uncertainties say. Knows numbers only."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["RepeatCheck", "check_repeats", "spread_limit"]

NORMAL_95 = 1.6448536269514722


@dataclass(frozen=True, slots=True)
class RepeatCheck:
    """The spread of repeats against what was stated for each of them."""

    count: int
    spread: float
    """Experimental standard deviation of one test."""
    stated: float
    """Root mean square of the stated standard uncertainties, without what all of them share."""
    limit: float
    """Largest spread / stated that chance allows in 95 % of cases."""

    @property
    def ratio(self) -> float:
        """Spread over stated uncertainty (Birge ratio)."""
        return self.spread / self.stated if self.stated > 0.0 else math.inf

    @property
    def is_wider(self) -> bool:
        """Whether the repeats scatter more than their uncertainties explain."""
        return self.spread > self.limit * self.stated

    def words(self, unit: str) -> str:
        """A sentence for a note where repeats scatter more than stated; empty where they agree."""
        if not self.is_wider:
            return ""
        return (
            f"{self.count} repeats spread by {self.spread:.2g} {unit}, the meter explains {self.stated:.2g} {unit}: "
            "the device or the bench varied between tests."
        )


def check_repeats(values: Sequence[float], uncertainties: Sequence[float | None]) -> RepeatCheck | None:
    """Hold the spread of repeats against their stated standard uncertainties.

    Args:
        values: n repeats.
        uncertainties: the standard uncertainty of each, without what all share; None where unknown.

    Returns:
        The check, or None with fewer than two repeats or an unknown uncertainty.

    """
    known = [u for u in uncertainties if u is not None]
    if len(values) < 2 or len(known) < len(values):
        return None
    stated = math.sqrt(statistics.fmean(u * u for u in known))
    return RepeatCheck(len(values), statistics.stdev(values), stated, spread_limit(len(values) - 1))


def spread_limit(degrees: int) -> float:
    """By how much an experimental standard deviation exceeds the true one in 5 % of cases.

    Formula: nu (s / sigma)^2 follows chi-squared with nu degrees of freedom; its 95 % point by Wilson and Hilferty,
    within 3 % of the exact one from one degree on.
    """
    share = 2.0 / (9.0 * degrees)
    return math.sqrt((1.0 - share + NORMAL_95 * math.sqrt(share)) ** 3)
