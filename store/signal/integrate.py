"""Integrals of sampled quantities over their own times. Knows arrays only.

Sign conventions: power and current are positive in the run's direction. Nothing is made absolute.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from store.model.results import Array, Mask

__all__ = [
    "HOUR_S",
    "Split",
    "bilinear_steps",
    "cumulative",
    "every_second",
    "split_charge_steps",
    "split_energy_steps",
    "trapezoid_steps",
]

HOUR_S = 3600.0


class Split(NamedTuple):
    """Integrals per step, by direction: `along` >= 0, `against` <= 0; their sum is the net."""

    along: Array
    against: Array


def trapezoid_steps(dt_s: Array, y: Array) -> Array:
    """Integral of y over each step, y linear between samples.

    Args:
        dt_s: n - 1 steps [s]; 0 where nothing may be integrated.
        y: n values.

    Returns:
        n - 1 integrals [unit of y times s].

    Formula: dt (y0 + y1) / 2. Source: trapezoid rule, any textbook; check: 0,10,20,100 s with
    10,10,20,20 W gives a mean of 18.5 W.
    """
    return dt_s * 0.5 * (y[:-1] + y[1:])


def bilinear_steps(dt_s: Array, v: Array, i: Array) -> Array:
    """Energy of each step with voltage and current both linear between samples.

    Args:
        dt_s: n - 1 steps [s]; 0 where nothing may be integrated.
        v: n voltages [V].
        i: n currents [A].

    Returns:
        n - 1 energies [J].

    Formula: dt (2 v0 i0 + 2 v1 i1 + v0 i1 + v1 i0) / 6, exact for linear x linear. Worked: one step
    of 1 h from 4.2 V, 2 A to 3.0 V, 1 A is 5.5 Wh where the trapezoid of V x I gives 5.7 Wh.
    """
    v0, v1, i0, i1 = v[:-1], v[1:], i[:-1], i[1:]
    return dt_s * (v0 * (2.0 * i0 + i1) + v1 * (2.0 * i1 + i0)) / 6.0


def split_charge_steps(dt_s: Array, i: Array) -> Split:
    """Charge of each step by direction [A s], the step cut where the linear current crosses zero."""
    i0, i1 = i[:-1], i[1:]
    net = trapezoid_steps(dt_s, i)
    crossing = (i0 * i1) < 0
    span = np.where(crossing, i0 - i1, 1.0)
    cut = np.where(crossing, i0 / span, 0.0)
    first = 0.5 * dt_s * cut * i0
    along = np.where(crossing, np.where(i0 > 0, first, net - first), np.maximum(net, 0.0))
    return Split(along, net - along)


def split_energy_steps(dt_s: Array, v: Array, i: Array) -> Split:
    """Energy of each step by direction [J], the step cut where the linear current crosses zero.

    The part before the crossing runs from (v0, i0) to (vx, 0) over the share x = i0 / (i0 - i1) of the
    step, so it is dt x i0 (2 v0 + vx) / 6.
    """
    i0, i1, v0, v1 = i[:-1], i[1:], v[:-1], v[1:]
    net = bilinear_steps(dt_s, v, i)
    crossing = (i0 * i1) < 0
    span = np.where(crossing, i0 - i1, 1.0)
    cut = np.where(crossing, i0 / span, 0.0)
    vx = v0 + cut * (v1 - v0)
    first = dt_s * cut * i0 * (2.0 * v0 + vx) / 6.0
    along = np.where(crossing, np.where(i0 > 0, first, net - first), np.maximum(net, 0.0))
    return Split(along, net - along)


def cumulative(steps: Array) -> Array:
    """Running total at each of the n samples, 0 at the first, from n - 1 steps."""
    total = np.empty(len(steps) + 1)
    total[0] = 0.0
    np.cumsum(steps, out=total[1:])
    return total


def every_second(steps: Array, t: Array, is_gap: Mask, v: Array, i: Array | None) -> Array:
    """What each step adds when only every second sample is used: a pair of steps adds what one long step would.

    Where a pair touches a gap, both are taken as they are. The difference to the integral of all
    samples, divided by 3, estimates what the steps' length costs (the rule is of second order: halving
    the step quarters the error).

    Args:
        steps: n - 1 integrals over single steps.
        t: n times, in the unit of time of `steps`.
        is_gap: n - 1, True where a step is a gap.
        v: n values of the integrand, or of its first factor.
        i: n values of the second factor, or None.

    Returns:
        n - 1 integrals, in the unit of `steps`.
    """
    count = len(steps) // 2 * 2
    ends = slice(0, count + 1, 2)
    dt = np.diff(t[ends])
    double = trapezoid_steps(dt, v[ends]) if i is None else bilinear_steps(dt, v[ends], i[ends])
    out = steps.copy()
    out[1:count:2] = double - steps[0:count:2]
    if is_gap.any():
        touched = is_gap[:count].reshape(-1, 2).any(axis=1)
        out[1:count:2][touched] = steps[1:count:2][touched]
    return out
