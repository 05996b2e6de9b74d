"""How far the errors of two results by one meter go together, and what is left of them in ratio and difference.

Knows numbers only. A meter's gain error is shared by its results, but not fully: ranges, days and linearity part it.
"""

from __future__ import annotations

import math

__all__ = ["RHO_ACROSS", "RHO_WITHIN", "difference_u", "gain_correlation", "ratio_u_rel"]

RHO_WITHIN = 0.9
"""Two results by one meter in one range, mode and day. Assumed, no source: a tenth of the squared limit of error is
left for linearity and short-term drift. A certificate that states linearity and stability replaces it."""
RHO_ACROSS = 0.5
"""By one meter across ranges, modes or days. Assumed, no source: ranges have parts of their own (shunt, divider), and
half of the squared limit is left for them and for drift from day to day."""


def gain_correlation(*, same_meter: bool, same_range: bool, same_day: bool) -> float:
    """Correlation of the gain errors of two results: 0.9, 0.5, or 0 with two meters.

    GUM 5.2.4 and F.1.2.3: correlation may be significant if one instrument serves both; it gives no number.
    """
    if not same_meter:
        return 0.0
    return RHO_WITHIN if same_range and same_day else RHO_ACROSS


def ratio_u_rel(gain_a: float, gain_b: float, rho: float, own_a: float = 0.0, own_b: float = 0.0) -> float:
    """Relative standard uncertainty of a ratio a / b.

    Args:
        gain_a: relative uncertainty of a from what the two share in part.
        gain_b: of b.
        rho: correlation of those.
        own_a: relative uncertainty of a from all else: resolution, edges, scatter.
        own_b: of b.

    Formula: GUM 5.2.2, eq. 16, for a quotient: g_a^2 + g_b^2 - 2 rho g_a g_b + own_a^2 + own_b^2. With equal gains
    of 0.5 % and rho 0.9: sqrt(2 x 0.1) x 0.5 % = 0.2236 %.
    """
    shared = gain_a * gain_a + gain_b * gain_b - 2.0 * rho * gain_a * gain_b
    return math.sqrt(max(shared, 0.0) + own_a * own_a + own_b * own_b)


def difference_u(common_a: float, common_b: float, rho: float, own_a: float = 0.0, own_b: float = 0.0) -> float:
    """Standard uncertainty of a difference a - b, in their unit; parts as in `ratio_u_rel`."""
    return ratio_u_rel(common_a, common_b, rho, own_a, own_b)
