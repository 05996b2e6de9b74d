"""Differences among several things at once: how far the largest of all pairs goes by chance. Knows numbers only."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

from store.data.tables import load_table

__all__ = ["LEAST_K", "MOST_K", "difference_factor", "holm", "studentized_range"]

LEAST_K, MOST_K = 2, 20


@cache
def _table() -> tuple[tuple[float, ...], tuple[tuple[float, ...], ...]]:
    """Degrees of freedom, and per row the 95 % points for 2 to 20 values."""
    table = load_table("studentized_range.toml")
    return tuple(map(float, table["dof"])), tuple(tuple(map(float, row)) for row in table["q"])


def studentized_range(count: int, dof: float = math.inf) -> float:
    """95 % point of the studentized range: q(3, inf) = 3.314, q(4, 30) = 3.845.

    Args:
        count: how many values, 2 to 20; past 20 the step from 19 to 20 is carried on, which is on the safe side.
        dof: degrees of freedom of their standard uncertainty, 1 or more.

    Source: a table made with SciPy; between its rows q is interpolated in 1 / dof, within 0.1 % from 2 degrees on.

    Raises:
        ValueError: fewer than two values or under one degree of freedom.
    """
    if count < LEAST_K or not dof >= 1.0:
        raise ValueError(f"q({count}, {dof}) does not exist.")
    degrees, rows = _table()
    column = min(count, MOST_K) - LEAST_K
    extra = (count - MOST_K) if count > MOST_K else 0
    at = [row[column] + extra * (row[column] - row[column - 1] if extra else 0.0) for row in rows]
    for k in range(len(degrees) - 1):
        low, high = degrees[k], degrees[k + 1]
        if low <= dof <= high:
            share = (1.0 / low - 1.0 / dof) / (1.0 / low - (0.0 if math.isinf(high) else 1.0 / high))
            return at[k] + share * (at[k + 1] - at[k])
    return at[-1]


def difference_factor(count: int, dof: float = math.inf) -> float:
    """What the standard uncertainty of a difference is multiplied by, with this many things compared at once.

    Formula: q / sqrt 2 (Tukey and Kramer): 1.960 for two, 2.343 for three, 3.102 for nine, 3.391 for fifteen. Of
    equal things the largest difference of all pairs exceeds it in 5 % of comparisons, or in fewer.
    """
    return studentized_range(count, dof) / math.sqrt(2.0)


def holm(chances: Sequence[float]) -> list[float]:
    """Adjusted p values: to be held against one level, however many were tested.

    Args:
        chances: n p values.

    Returns:
        n adjusted ones, in the same order. Worked: .50 .003 .32 .054 .0003 -> .64 .012 .64 .162 .0015.

    Source: Holm, Scandinavian Journal of Statistics 6 (1979) 65 (from memory); checked on published tables.
    """
    order = sorted(range(len(chances)), key=lambda k: chances[k])
    out = [0.0] * len(chances)
    most = 0.0
    for place, k in enumerate(order):
        most = max(most, min(1.0, (len(chances) - place) * chances[k]))
        out[k] = most
    return out
