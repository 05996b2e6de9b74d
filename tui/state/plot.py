"""What a plot draws: lines through time buckets with gaps left open, axes, rail of events.

Knows arrays and numbers; no Textual, no library. Minimum and maximum of each bucket are both drawn, so that zooming out
hides nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from importers.schema import CHANNELS
from store.model.records import EventRow, Strip, StripSet
from tui.render import format as fmt
from tui.render.plain import plain, width_of
from tui.state.lines import Line, line
from tui.state.strips import time_step

__all__ = [
    "PATTERNS",
    "Axis",
    "event_rail",
    "is_second_axis",
    "nice_axis",
    "pieces",
    "time_ticks",
    "unit_of",
    "value_axis",
]

FloatArray = npt.NDArray[np.float64]

PATTERNS: tuple[tuple[int, int], ...] = ((1, 0), (5, 3), (2, 2), (9, 2), (1, 2), (3, 1))
"""Buckets inked and left out, by turns: whole line, dashes, dots ... so that lines differ without colour."""

_UNITS = {channel.name: channel.unit for channel in CHANNELS}


def unit_of(channel: str) -> str:
    """The unit of a channel."""
    return _UNITS.get(channel, "")


def is_second_axis(channel: str) -> bool:
    """Whether a channel is read from the axis at the right (temperatures are)."""
    return unit_of(channel) == "°C"


@dataclass(frozen=True, slots=True)
class Axis:
    """A range of values with labelled ticks at round numbers."""

    low: float
    high: float
    ticks: tuple[float, ...]
    labels: tuple[str, ...]

    def place(self, value: float) -> float:
        """Where a value stands, 0 at the bottom to 1 at the top."""
        return (value - self.low) / (self.high - self.low)


def nice_axis(low: float, high: float, most_ticks: int) -> Axis:
    """A range that holds low to high, with ticks at multiples of 1, 2 or 5 times a power of ten."""
    if not (math.isfinite(low) and math.isfinite(high)):
        low, high = 0.0, 1.0
    if high - low < 1e-9 * max(abs(low), abs(high), 1e-9):
        margin = 0.01 * abs(low) or 1.0
        low, high = low - margin, high + margin
    raw = (high - low) / max(most_ticks - 1, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    decimals = max(-math.floor(math.log10(step) + 1e-9), 0)
    ticks = tuple(n * step for n in range(first, last + 1))
    return Axis(low, high, ticks, tuple(fmt.number(t, decimals) for t in ticks))


def value_axis(strips: Sequence[Strip], unit: str, rows: int) -> Axis:
    """The axis for strips of one unit: room above and below; current and power reach down to zero."""
    lows = [float(np.nanmin(s.lowest)) for s in strips if not np.isnan(s.lowest).all()]
    highs = [float(np.nanmax(s.highest)) for s in strips if not np.isnan(s.highest).all()]
    low, high = (min(lows), max(highs)) if lows else (0.0, 1.0)
    if unit in {"A", "W", "Wh", "Ah"}:
        low, high = min(low, 0.0), max(high, 0.0)
    margin = 0.04 * (high - low)
    return nice_axis(low - (margin if low else 0.0), high + margin, max(rows // 3, 3))


def pieces(
    strips: StripSet, strip: Strip, *, bridge: int, pattern: tuple[int, int] = (1, 0)
) -> list[tuple[FloatArray, FloatArray]]:
    """A strip as open lines (t_s, value), one per stretch without a gap.

    Each bucket gives its minimum and its maximum at its middle. A pattern leaves buckets out, but never one whose band
    is high: what stands out is always drawn.

    Args:
        strips: The set that holds the time axis.
        strip: The channel.
        bridge: Empty buckets in a row that are no gap.
        pattern: Buckets inked and left out by turns.
    """
    known = np.flatnonzero(~(np.isnan(strip.lowest) | np.isnan(strip.highest)))
    if not len(known):
        return []
    width_s = (strips.to_s - strips.from_s) / strips.buckets
    breaks = np.flatnonzero(np.diff(known) > bridge + 1) + 1
    out: list[tuple[FloatArray, FloatArray]] = []
    for stretch in np.split(known, breaks):
        for part in _inked(stretch, strip, pattern):
            t = strips.from_s + (part + 0.5) * width_s
            out.append((np.repeat(t, 2), _zigzag(strip.lowest[part], strip.highest[part])))
    return out


def _zigzag(low: FloatArray, high: FloatArray) -> FloatArray:
    """Minimum and maximum by turns, each bucket entered at the end nearer to where the one before was left."""
    values = np.empty(2 * len(low))
    at_high = False
    for i in range(len(low)):
        if i:
            at_high = abs(values[2 * i - 1] - high[i]) < abs(values[2 * i - 1] - low[i])
        values[2 * i], values[2 * i + 1] = (high[i], low[i]) if at_high else (low[i], high[i])
    return values


def _inked(stretch: npt.NDArray[np.int_], strip: Strip, pattern: tuple[int, int]) -> list[npt.NDArray[np.int_]]:
    on, off = pattern
    if not off:
        return [stretch]
    span = float(np.nanmax(strip.highest) - np.nanmin(strip.lowest)) or 1.0
    stands_out = (strip.highest[stretch] - strip.lowest[stretch]) > 0.1 * span
    keep = (stretch % (on + off) < on) | stands_out
    runs = np.split(np.arange(len(stretch)), np.flatnonzero(np.diff(keep.astype(int))) + 1)
    return [stretch[run] for run in runs if len(run) and keep[run[0]]]


def time_ticks(from_s: float, to_s: float, most: int) -> tuple[list[float], list[str]]:
    """Round times on an axis, and how they are written."""
    span = to_s - from_s
    if span <= 0 or most < 1:
        return [], []
    step = time_step(span, most)
    first, last = math.ceil(from_s / step - 1e-9), math.floor(to_s / step + 1e-9)
    ticks = [n * step for n in range(first, min(last, first + 4 * most) + 1)]
    return ticks, [fmt.axis_time(t, step) for t in ticks]


def event_rail(
    events: Sequence[EventRow], from_s: float, to_s: float, width: int, signs: fmt.Signs = fmt.UNICODE_SIGNS
) -> Line:
    """Marks of events under the plot, with their names where there is room."""
    span = to_s - from_s
    if span <= 0 or width <= 0:
        return ()
    inside = sorted((e for e in events if from_s <= e.from_s <= to_s), key=lambda e: e.from_s)
    cells = [min(int((e.from_s - from_s) / span * width), width - 1) for e in inside]
    parts: list[tuple[str, str]] = []
    at = 0
    for index, (event, cell) in enumerate(zip(inside, cells, strict=True)):
        if cell < at:
            continue
        following = next((c for c in cells[index + 1 :] if c > cell), width)
        name = plain(event.kind.replace("_", " "), ascii_only=signs.is_ascii)
        name = name if width_of(name) + 2 <= following - cell else ""
        parts += [(" " * (cell - at), ""), (signs.event, "warn"), (name, "dim")]
        at = cell + 1 + width_of(name)
    return line(*parts)
