"""Degrees of freedom of a budget, and the factor from its standard uncertainty to what is printed behind +-.

Knows numbers only. Source: JCGM 100:2008 (GUM), G.4.1 and G.6.4.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache

from store.uncertainty.student import t_quantile

__all__ = ["COVERED", "coverage_factor", "effective_dof", "expanded", "judged_dof"]

COVERED = 0.9544997361036416
"""Probability that +- is to cover: that of two standard deviations either side, so that k is 2 where dof are many."""


def effective_dof(parts: Iterable[tuple[float, float]]) -> float:
    """Effective degrees of freedom of a sum of independent parts, by Welch and Satterthwaite; not rounded.

    Args:
        parts: standard uncertainty and degrees of freedom of each; infinite for limits that are taken as known.

    Formula: nu = u_c^4 / sum of u_i^4 / nu_i (GUM G.2b). Worked (GUM G.4.1): 0.25 % (9), 0.57 % (4), 0.82 % (14)
    give 1.029 % with 18.9987.
    """
    total = fourth = 0.0
    for u, dof in parts:
        total += u * u
        if math.isfinite(dof) and u > 0.0:
            fourth += u**4 / max(dof, 1e-9)
    return total * total / fourth if fourth > 0.0 else math.inf


@lru_cache(maxsize=4096)
def coverage_factor(dof: float) -> float:
    """What a standard uncertainty is multiplied by: Student's t at 95.45 %, 2 for infinite degrees of freedom.

    Under one degree of freedom nothing can be said; one is taken. 13.97, 4.53, 3.31 for 1, 2, 3.
    Source: GUM table G.2.
    """
    if math.isinf(dof):
        return 2.0
    return t_quantile(0.5 + 0.5 * COVERED, max(dof, 1.0))


def expanded(u: float, dof: float = math.inf) -> float:
    """Expanded uncertainty: standard uncertainty times the coverage factor."""
    return coverage_factor(dof) * u


def judged_dof(relative: float) -> float:
    """Degrees of freedom of an uncertainty that is itself known to a share: 25 % gives 8 (GUM G.4.2, eq. G.3)."""
    return 0.5 / (relative * relative)
