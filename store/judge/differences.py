"""Devices set against one another: differences with their own uncertainty, rank sets, repeats.

Knows measured values; knows no file, no catalogue and no screen.

Sources: GUM (JCGM 100) for differences with shared errors, ISO 13528:2015 for En, ISO 5725-6:1994 for limits of
repeats, Mogstad, Romano, Shaikh and Wilhelm for rank sets from pairwise tests.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from store.judge.measured import Measured, covariance
from store.uncertainty.student import t_quantile

__all__ = [
    "COMPARISON_BAR",
    "Difference",
    "RankSet",
    "Scatter",
    "chances_of_best",
    "difference",
    "leaders",
    "least_difference",
    "pooled_scatter",
    "rank_sets",
    "repeatability_limit",
    "unlike",
]

COMPARISON_BAR = math.sqrt(2.0)
"""Half-length, in u, of bars that can be compared by eye at k = 2: two of them just touch at En = 1 for equal u."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One value minus another, and whether that is a difference."""

    value: float
    uncertainty: float | None
    """Standard uncertainty; None where one of the two is unknown."""
    correlation: float
    """Between the two values, from what one meter shares."""
    scatter: float | None = None
    """Smallest difference that repeats alone would show; None without repeats."""

    @property
    def expanded(self) -> float | None:
        """What the difference must exceed: the larger of U_d = 2 u_d and what repeats need."""
        if self.uncertainty is None:
            return None
        return max(2.0 * self.uncertainty, self.scatter or 0.0)

    @property
    def en(self) -> float | None:
        """En = d / U_d [ISO 13528]; told apart where |En| > 1."""
        return None if not self.expanded else self.value / self.expanded

    @property
    def is_told_apart(self) -> bool:
        """Whether the two differ by more than uncertainty allows. Unknown uncertainty tells nothing apart."""
        if self.expanded is None:
            return False
        return abs(self.value) > self.expanded

    @property
    def chance_larger(self) -> float | None:
        """Probability that the first is truly larger, for a normal distribution."""
        if self.uncertainty is None:
            return None
        if self.uncertainty == 0.0:
            return 0.5 if self.value == 0 else float(self.value > 0)
        return 0.5 * math.erfc(-self.value / self.uncertainty / math.sqrt(2.0))


@dataclass(frozen=True, slots=True)
class Scatter:
    """The spread of repeats, pooled over devices."""

    sd: float
    degrees: int


def pooled_scatter(repeats: Sequence[Sequence[float]]) -> Scatter | None:
    """Pool the standard deviations of several series of repeats; None where nothing was repeated.

    Formula: s_r^2 = sum (n - 1) s^2 / sum (n - 1).
    """
    series = [values for values in repeats if len(values) > 1]
    degrees = sum(len(values) - 1 for values in series)
    if not degrees:
        return None
    total = math.fsum((len(values) - 1) * statistics.variance(values) for values in series)
    return Scatter(math.sqrt(total / degrees), degrees)


def repeatability_limit(scatter: Scatter) -> float:
    """Two single tests should not differ by more: 2.8 s_r [ISO 5725-6]."""
    return 2.8 * scatter.sd


def least_difference(scatter: Scatter, first: int, second: int, *, pairs: int = 1) -> float:
    """Least difference of two means that repeats alone would show.

    Args:
        scatter: Pooled spread of one test.
        first: Tests behind the first mean.
        second: Tests behind the second mean.
        pairs: How many pairs are looked at together (Bonferroni); 1 for one pair.

    Formula: t(1 - 0.05 / (2 pairs), degrees) s_r sqrt(1/first + 1/second).
    """
    t = t_quantile(1.0 - 0.05 / (2 * pairs), scatter.degrees)
    return t * scatter.sd * math.sqrt(1.0 / first + 1.0 / second)


def difference(first: Measured, second: Measured, scatter: Scatter | None = None) -> Difference:
    """First minus second. What one meter shares cancels; overlap of intervals is not the test.

    Formula: u_d^2 = u1^2 + u2^2 - 2 cov [GUM eq. 16]. Repeats show only the random part, so the larger of
    U_d and the least difference of repeats is what a difference must exceed.
    """
    value = first.value - second.value
    if first.uncertainty is None or second.uncertainty is None:
        return Difference(value, None, 0.0)
    shared = covariance(first, second)
    u = math.sqrt(max(first.uncertainty**2 + second.uncertainty**2 - 2.0 * shared, 0.0))
    product = first.uncertainty * second.uncertainty
    least = None
    if scatter is not None and max(first.count, second.count) > 1:
        least = least_difference(scatter, first.count, second.count)
    return Difference(value, u, shared / product if product else 0.0, least)


@dataclass(frozen=True, slots=True)
class RankSet:
    """The ranks that a device may have."""

    best: int
    worst: int

    def words(self) -> str:
        """`1`, or `shared 1-3`."""
        return f"{self.best}" if self.best == self.worst else f"shared {self.best}-{self.worst}"


def rank_sets(
    values: Sequence[Measured], *, larger_is_better: bool = True, scatter: Scatter | None = None
) -> tuple[RankSet, ...]:
    """Ranks by pairwise tests, one pair at a time.

    The best rank is one more than the number that are surely better, the worst is the count less the number that
    are surely worse. Not told apart is not transitive, so no groups are made by chaining.
    """
    sign = 1.0 if larger_is_better else -1.0
    sets = []
    for index, value in enumerate(values):
        better = worse = 0
        for other_index, other in enumerate(values):
            if other_index == index:
                continue
            found = difference(other, value, scatter)
            if found.is_told_apart:
                better += found.value * sign > 0
                worse += found.value * sign < 0
        sets.append(RankSet(1 + better, len(values) - worse))
    return tuple(sets)


def leaders(
    values: Sequence[Measured], *, larger_is_better: bool = True, scatter: Scatter | None = None
) -> tuple[int, ...]:
    """Indices of the best value and of all that are not told apart from it; all of them where none is best.

    Empty for fewer than two values.
    """
    if len(values) < 2:
        return ()
    sign = 1.0 if larger_is_better else -1.0
    top = max(range(len(values)), key=lambda index: sign * values[index].value)
    return tuple(
        index
        for index, value in enumerate(values)
        if index == top or not difference(values[top], value, scatter).is_told_apart
    )


def chances_of_best(values: Sequence[Measured], *, larger_is_better: bool = True, steps: int = 4000) -> list[float]:
    """Probability of each to be truly the best, for independent normal distributions: colour, not the verdict.

    They centre on the estimates and so flatter the leader. By Simpson's rule on the integral of
    phi((x - m_i)/u_i)/u_i times the product of Phi((x - m_j)/u_j).

    Raises:
        ValueError: an uncertainty that is unknown or 0.
    """
    sign = 1.0 if larger_is_better else -1.0
    means = [sign * item.value for item in values]
    widths = [item.uncertainty or 0.0 for item in values]
    if any(width <= 0.0 for width in widths):
        raise ValueError("Chances need known uncertainties above 0.")
    chances = []
    for index, (mean, width) in enumerate(zip(means, widths, strict=True)):
        others = [pair for k, pair in enumerate(zip(means, widths, strict=True)) if k != index]
        total = 0.0
        for step in range(steps + 1):
            z = -8.0 + 16.0 * step / steps
            weight = 1 if step in (0, steps) else 4 if step % 2 else 2
            x = mean + z * width
            below = math.prod(0.5 * math.erfc((m - x) / w / math.sqrt(2.0)) for m, w in others)
            total += weight * math.exp(-0.5 * z * z) * below
        chances.append(total * (16.0 / steps) / 3.0 / math.sqrt(2.0 * math.pi))
    return chances


def unlike(conditions: Mapping[str, Sequence[str | None]]) -> tuple[str, ...]:
    """What differs between tests that are set side by side, a sentence each; empty where like is set against like.

    Args:
        conditions: What each test was done under: `port`, `mode`, `load`, `ambient` to one value per device.
    """
    told = []
    for name, values in conditions.items():
        stated = {value for value in values if value}
        if len(stated) > 1:
            told.append(f"Not at one {name}: {', '.join(sorted(stated))}.")
    return tuple(told)
