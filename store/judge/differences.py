"""Devices set against one another: differences with their own uncertainty, rank sets, repeats.

Knows measured values; knows no file, no catalogue and no screen.

Sources: GUM (JCGM 100) for differences with shared errors, Tukey and Kramer for the largest of all pairs,
ISO 13528:2015 for En, ISO 5725-6:1994 for limits of repeats, Mogstad, Romano, Shaikh and Wilhelm for rank sets from
pairwise tests.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from store.judge.measured import Measured, covariance
from store.judge.pooling import Scatter
from store.uncertainty.freedom import coverage_factor
from store.uncertainty.several import difference_factor
from store.uncertainty.student import t_quantile

__all__ = [
    "COMPARISON_BAR",
    "Difference",
    "RankSet",
    "chances_of_best",
    "difference",
    "leaders",
    "least_difference",
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
    factor: float = 2.0
    """What the uncertainty is multiplied by: for so many compared at once, with so many degrees of freedom."""
    reach: float = 0.0
    """How far the lower of the two may lie above what was measured."""

    @property
    def expanded(self) -> float | None:
        """The smallest significant difference: U_d = k u_d."""
        return None if self.uncertainty is None else self.factor * self.uncertainty

    @property
    def en(self) -> float | None:
        """En = d / U_d [ISO 13528]; significant where |En| > 1."""
        return None if not self.expanded else self.value / self.expanded

    @property
    def is_told_apart(self) -> bool:
        """Whether the two differ by more than uncertainty allows. Unknown uncertainty tells nothing apart."""
        if self.expanded is None:
            return False
        if self.reach > 0.0:
            return abs(self.value) >= self.expanded + self.reach
        return abs(self.value) > self.expanded

    @property
    def chance_larger(self) -> float | None:
        """Probability that the first is truly larger, for a normal distribution."""
        if self.uncertainty is None:
            return None
        if self.uncertainty == 0.0:
            return 0.5 if self.value == 0 else float(self.value > 0)
        return 0.5 * math.erfc(-self.value / self.uncertainty / math.sqrt(2.0))


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


def difference(first: Measured, second: Measured, count: int = 2) -> Difference:
    """First minus second. What one meter shares cancels; overlap of intervals is not the test.

    Args:
        first: One value.
        second: The other.
        count: How many are compared at once: of that many equal ones, the largest difference of all pairs is told
            apart in 5 % of comparisons.

    Formula: u_d^2 = u1^2 + u2^2 - 2 cov [GUM eq. 16]; U_d = k u_d with Student's t for two, with the studentized
    range over sqrt 2 for more. Repeats are pooled over devices, so their degrees of freedom are shared, not added; the
    factors of what has few and of what has many are weighted by their variances (Cochran, from memory: on the safe
    side where one lucky scatter would make the degrees of freedom of the whole look many).
    """
    value = first.value - second.value
    reach = (second if value > 0.0 else first).reach
    if first.uncertainty is None or second.uncertainty is None:
        return Difference(value, None, 0.0, reach=reach)
    shared = covariance(first, second)
    square = max(first.uncertainty**2 + second.uncertainty**2 - 2.0 * shared, 0.0)
    factor = _factor(count, math.inf)
    fourth = (math.sqrt(first.fourth) + math.sqrt(second.fourth)) ** 2
    if fourth > 0.0 and square > 0.0:
        drawn = min((first.random or 0.0) ** 2 + (second.random or 0.0) ** 2, square)
        few = _factor(count, max(drawn * drawn / fourth, 1.0))
        factor = (drawn * few + (square - drawn) * factor) / square
    product = first.uncertainty * second.uncertainty
    return Difference(value, math.sqrt(square), shared / product if product else 0.0, factor, reach)


def _factor(count: int, dof: float) -> float:
    """For a pair at 95.45 % as everywhere else, for more by the studentized range, whichever is larger."""
    found = coverage_factor(dof)
    return max(found, difference_factor(count, dof)) if count > 2 else found


@dataclass(frozen=True, slots=True)
class RankSet:
    """The ranks that a device may have."""

    best: int
    worst: int

    def words(self) -> str:
        """`1`, or `shared 1-3`."""
        return f"{self.best}" if self.best == self.worst else f"shared {self.best}-{self.worst}"


def rank_sets(values: Sequence[Measured], *, larger_is_better: bool = True) -> tuple[RankSet, ...]:
    """Ranks by pairwise tests, all of them at once.

    The best rank is one more than the number that are surely better, the worst is the count less the number that
    are surely worse. No significant difference is not transitive, so no groups are made by chaining.
    """
    sign = 1.0 if larger_is_better else -1.0
    sets = []
    for index, value in enumerate(values):
        better = worse = 0
        for other_index, other in enumerate(values):
            if other_index == index:
                continue
            found = difference(other, value, len(values))
            if found.is_told_apart:
                better += found.value * sign > 0
                worse += found.value * sign < 0
        sets.append(RankSet(1 + better, len(values) - worse))
    return tuple(sets)


def leaders(values: Sequence[Measured], *, larger_is_better: bool = True) -> tuple[int, ...]:
    """Indices of the best value and of all that do not differ significantly from it; all of them where none is best.

    Empty for fewer than two values.
    """
    if len(values) < 2:
        return ()
    sign = 1.0 if larger_is_better else -1.0
    top = max(range(len(values)), key=lambda index: sign * values[index].value)
    return tuple(
        index
        for index, value in enumerate(values)
        if index == top or not difference(values[top], value, len(values)).is_told_apart
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
