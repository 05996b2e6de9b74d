"""Where voltage or current let go under a rising load, and where it came back. Knows arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from store.model.results import Array
from store.signal.statistics import median, runs_of

__all__ = ["Trip", "find_return", "find_trip"]


@dataclass(frozen=True, slots=True)
class Trip:
    """A trip: the first sample after the fall, how long the fall took, and the first sample back (or None)."""

    at: int
    fall_s: float
    back: int | None
    voltage_stayed: bool
    """The current ended with the voltage still there: the load may have been taken off."""
    down: int | None = None
    """First sample with the voltage gone, or None where it stayed."""


def find_trip(
    t: Array, v3: Array, i3: Array, nominal_v: float, *, voltage_share: float, current_share: float
) -> Trip | None:
    """First fall of voltage under a share of nominal, or of current under a share of its largest so far.

    Args:
        t: n times [s].
        v3: n voltages [V], medians of three.
        i3: n currents [A], medians of three.
        nominal_v: nominal voltage [V].
        voltage_share: 0.8.
        current_share: 0.1.

    Returns:
        The trip, or None. A fall counts after the voltage was up and the current had passed half of its largest.
    """
    peak = np.maximum.accumulate(i3)
    loaded = peak >= 0.5 * float(i3.max())
    up = v3 >= voltage_share * nominal_v
    was_up = np.logical_or.accumulate(up)
    low_v = was_up & ~up & loaded
    low_i = loaded & (i3 < current_share * peak)
    fell = low_v | low_i
    if not fell.any():
        return None
    at = int(np.argmax(fell))
    if at == 0:
        return None
    whole = (v3[:at] >= 0.95 * nominal_v * 0.95) & (i3[:at] >= 0.9 * peak[:at])
    last_whole = int(np.flatnonzero(whole)[-1]) if whole.any() else at - 1
    soon = int(np.searchsorted(t, t[at] + 2.0, side="right"))
    stayed = bool((v3[max(at - 1, 0) : max(soon, at + 2)] >= 0.95 * nominal_v).all())
    back = down = None
    if low_v[at:soon].any():
        down = at + int(np.argmax(low_v[at:soon]))
        again = up[down:-1] & up[down + 1 :]
        back = down + int(np.argmax(again)) if again.any() else None
    return Trip(at, float(t[at] - t[last_whole]), back, stayed, down)


def find_return(
    t: Array, v3: Array, i3: Array, down: int, *, least_v: float, hold_s: float, band: float, load_a: float
) -> tuple[int, float] | None:
    """First moment after a trip at which the port holds any voltage with the load gone.

    Args:
        t: n times [s].
        v3: n voltages [V], medians of three.
        i3: n currents [A], medians of three.
        down: first sample with the voltage gone.
        least_v: least voltage that a port offers [V].
        hold_s: how long it must stay [s].
        band: share within which it must stay.
        load_a: current under which the load counts as gone [A].

    Returns:
        The sample and the voltage held [V], or None.
    """
    for a, b in runs_of((v3[down:] >= least_v) & (i3[down:] < load_a)):
        first, last = down + a, down + b
        while first < last and t[last] - t[first] >= hold_s:
            stop = int(np.searchsorted(t, t[first] + hold_s, side="left"))
            held = v3[first : stop + 1]
            level = median(held)
            if float(np.abs(held - level).max()) <= band * level:
                return first, level
            first += 1
    return None
