"""Voltage windows of USB sources, each by its name: they hold at the source's own receptacle.

Knows numbers only. Sources: USB PD R3.x, vSrcNew and vSrcValid (two independent secondary quotes, table numbers
differ by edition); vSafe5V, vSafe0V and the PPS windows are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["SAFE_0V", "SAFE_5V", "Window", "pps_current_window", "pps_window", "steady_window", "transient_window"]


@dataclass(frozen=True, slots=True)
class Window:
    """A named interval, ends included."""

    name: str
    lower: float
    upper: float

    def holds(self, value: float) -> bool:
        """Whether a value lies within, float rounding forgiven."""
        slack = 1e-9 * max(1.0, abs(self.upper))
        return self.lower - slack <= value <= self.upper + slack

    def margin(self, value: float) -> float:
        """Distance to the nearer end, negative outside, in the window's unit."""
        return min(value - self.lower, self.upper - value)


SAFE_5V = Window("vSafe5V", 4.75, 5.5)
"""Plain Type-C at 5 V; a fixed 5 V contract ends at 5.25 V."""
SAFE_0V = Window("vSafe0V", 0.0, 0.8)


def steady_window(nominal_v: float) -> Window:
    """Window [V] of a fixed supply in steady state: 5 % to either side (vSrcNew)."""
    return Window("vSrcNew", 0.95 * nominal_v, 1.05 * nominal_v)


def transient_window(nominal_v: float) -> Window:
    """Window [V] of a fixed supply during transients: half a volt further (vSrcValid)."""
    return Window("vSrcValid", 0.95 * nominal_v - 0.5, 1.05 * nominal_v + 0.5)


def pps_window(requested_v: float) -> Window:
    """Window [V] of a programmable supply about what was requested (vPpsNew)."""
    return Window("vPpsNew", 0.95 * requested_v, 1.05 * requested_v)


def pps_current_window(limit_a: float) -> Window | None:
    """Where a programmable supply limits current [A] (iPpsCLNew); None under 1 A, where nothing is asked."""
    if limit_a < 1.0:
        return None
    half = 0.15 if limit_a <= 3.0 else 0.05 * limit_a
    return Window("iPpsCLNew", limit_a - half, limit_a + half)
