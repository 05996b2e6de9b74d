"""Strips and their time axis as lines of text: the small trace that recurs everywhere.

Knows arrays and characters: no Textual, no library. Each cell shows the band from minimum to maximum of its span of
time, so that a dropout of one sample stays a visible notch; a gap is blank.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from store.model.records import EventRow, Strip, StripSet
from tui.render import format as fmt
from tui.state.look import StripStyle

__all__ = [
    "MAIN_CHANNELS",
    "band",
    "draw_strip",
    "empty_buckets_to_bridge",
    "event_times",
    "nice_time_step",
    "range_text",
    "rebucket",
    "time_axis",
    "value_text",
]

FloatArray = npt.NDArray[np.float64]

MAIN_CHANNELS = ("voltage_v", "current_a", "power_w", "temperature_c")
"""The channels of a glance, in order."""

FLAT_SHARE = 0.02
"""Smallest height of a strip as a share of its largest value, so that a steady trace is drawn flat and not as its own
noise (chosen by us)."""

_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Braille dots by row from the top and by column (Unicode Standard, Braille Patterns U+2800)."""

_QUADRANTS = " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"
"""Block elements by bits: upper left 1, upper right 2, lower left 4, lower right 8."""

_TIME_STEPS = (1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1200, 1800, 3600, 7200, 10800, 21600, 43200, 86400)

_UNIT_DECIMALS = {"V": 2, "A": 2, "W": 1, "°C": 1, "Ah": 3, "Wh": 2, "%": 0, "Hz": 2, "Ω": 3, "1": 3}


@dataclass(frozen=True, slots=True)
class Scale:
    """What the bottom and the top of a drawing stand for."""

    bottom: float
    top: float


def rebucket(values: FloatArray, columns: int, *, lowest: bool) -> FloatArray:
    """Bring equal time buckets to another number of columns, keeping extremes.

    A column takes every bucket that it overlaps, so that no bucket's extreme is lost.

    Args:
        values: One value per bucket, NaN where empty.
        columns: How many columns are wanted.
        lowest: Keep minima, else maxima.

    Returns:
        `columns` values, NaN where all overlapped buckets are empty.
    """
    buckets = len(values)
    if buckets == 0 or columns <= 0:
        return np.full(max(columns, 0), np.nan)
    edges = np.arange(columns + 1) * buckets / columns
    first = np.minimum(np.floor(edges[:-1] + 1e-9).astype(int), buckets - 1)
    last = np.maximum(np.ceil(edges[1:] - 1e-9).astype(int), first + 1)
    keep = np.fmin if lowest else np.fmax
    out: FloatArray = values[first].astype(np.float64)
    for step in range(1, int((last - first).max())):
        index = first + step
        inside = index < np.minimum(last, buckets)
        out[inside] = keep(out[inside], values[index[inside]])
    return out


def empty_buckets_to_bridge(strips: StripSet, interval_s: float | None) -> int:
    """How many empty buckets in a row are no gap, because samples lie farther apart than buckets are wide."""
    width_s = (strips.to_s - strips.from_s) / strips.buckets if strips.buckets else 0.0
    if not interval_s or width_s <= 0 or interval_s <= width_s:
        return 0
    return math.ceil(interval_s / width_s)


def _bridge(values: FloatArray, most: int) -> FloatArray:
    """Fill runs of up to `most` empty buckets by a straight line between their neighbours."""
    if most <= 0:
        return values
    known = np.flatnonzero(~np.isnan(values))
    out = values.copy()
    for left, right in itertools.pairwise(known):
        if 1 < right - left <= most + 1:
            out[left : right + 1] = np.linspace(values[left], values[right], right - left + 1)
    return out


def band(strip: Strip, columns: int, bridge: int = 0) -> tuple[FloatArray, FloatArray]:
    """Minimum and maximum per column, joined where neighbours would not touch, as a pen would."""
    low = rebucket(_bridge(strip.lowest, bridge), columns, lowest=True)
    high = rebucket(_bridge(strip.highest, bridge), columns, lowest=False)
    joined_low, joined_high = low.copy(), high.copy()
    middle_up = (high[:-1] + low[1:]) / 2
    rises = high[:-1] < low[1:]
    joined_high[:-1][rises] = middle_up[rises]
    joined_low[1:][rises] = np.fmin(joined_low[1:][rises], middle_up[rises])
    middle_down = (low[:-1] + high[1:]) / 2
    falls = low[:-1] > high[1:]
    joined_low[:-1][falls] = np.fmin(joined_low[:-1][falls], middle_down[falls])
    joined_high[1:][falls] = np.fmax(joined_high[1:][falls], middle_down[falls])
    return joined_low, joined_high


def _extremes(strip: Strip) -> tuple[float, float] | None:
    known = ~(np.isnan(strip.lowest) | np.isnan(strip.highest))
    if not known.any():
        return None
    return float(strip.lowest[known].min()), float(strip.highest[known].max())


def _scale(strip: Strip) -> Scale | None:
    extremes = _extremes(strip)
    if extremes is None or not all(map(math.isfinite, extremes)):
        return None
    low, high = extremes
    least = FLAT_SHARE * max(abs(low), abs(high)) or 1.0
    if high - low < least:
        middle = (low + high) / 2
        return Scale(middle - least / 2, middle + least / 2)
    return Scale(low, high)


def draw_strip(strip: Strip, *, width: int, rows: int = 1, style: StripStyle = "braille", bridge: int = 0) -> list[str]:
    """A strip as `rows` lines of `width` cells, from the top down.

    Args:
        strip: Values per time bucket.
        width: Cells.
        rows: Lines.
        style: Characters that the terminal can draw.
        bridge: Empty buckets in a row that are no gap (see `empty_buckets_to_bridge`).
    """
    scale = _scale(strip)
    if width <= 0 or rows <= 0 or scale is None:
        return [" " * max(width, 0)] * max(rows, 0)
    per_cell = {"braille": (2, 4), "blocks": (2, 2), "ascii": (1, 3)}[style]
    low, high = band(strip, width * per_cell[0], bridge)
    filled = _filled(low, high, scale, rows * per_cell[1])
    encode = {"braille": _as_braille, "blocks": _as_blocks, "ascii": _as_ascii}[style]
    return encode(filled, width, rows)


def _filled(low: FloatArray, high: FloatArray, scale: Scale, levels: int) -> npt.NDArray[np.bool_]:
    """Which of `levels` heights (0 = top) are inked in each column."""
    span = scale.top - scale.bottom
    with np.errstate(invalid="ignore"):
        first = np.clip(np.floor((low - scale.bottom) / span * (levels - 1) + 0.5), 0, levels - 1)
        last = np.clip(np.floor((high - scale.bottom) / span * (levels - 1) + 0.5), 0, levels - 1)
        heights = np.arange(levels - 1, -1, -1)[:, None]
        inked: npt.NDArray[np.bool_] = (heights >= first[None, :]) & (heights <= last[None, :])
    return inked


def _as_braille(filled: npt.NDArray[np.bool_], width: int, rows: int) -> list[str]:
    codes = np.zeros((rows, width), dtype=int)
    for y, bits in enumerate(_DOTS):
        for x, bit in enumerate(bits):
            codes += filled[y::4, x::2][:rows, :width] * bit
    return ["".join(chr(0x2800 + code) if code else " " for code in line) for line in codes.tolist()]


def _as_blocks(filled: npt.NDArray[np.bool_], width: int, rows: int) -> list[str]:
    codes = np.zeros((rows, width), dtype=int)
    for y in range(2):
        for x in range(2):
            codes += filled[y::2, x::2][:rows, :width] * (1 << (2 * y + x))
    return ["".join(_QUADRANTS[code] for code in line) for line in codes.tolist()]


def _as_ascii(filled: npt.NDArray[np.bool_], width: int, rows: int) -> list[str]:
    single = {0: " ", 1: "'", 2: "-", 4: "_"}
    lines = []
    for row in range(rows):
        cell = filled[3 * row : 3 * row + 3]
        codes = cell[0] * 1 + cell[1] * 2 + cell[2] * 4
        lines.append("".join(single.get(int(code), "|") for code in codes[:width]))
    return lines


def value_text(value: float, unit: str) -> str:
    """A bare value in the digits usual for its unit, one more where it is small."""
    if not math.isfinite(value):
        return ""
    decimals = _UNIT_DECIMALS.get(unit, 2)
    if unit in {"V", "A", "W"} and abs(value) < 10:
        decimals += 1
    if unit in {"V", "A", "W"} and 0 < abs(value) < 0.1:
        decimals += 1
    return fmt.number(value, decimals)


def range_text(strip: Strip) -> tuple[str, str]:
    """Lowest and highest value of a strip as text; empty where it holds none."""
    extremes = _extremes(strip)
    if extremes is None:
        return "", ""
    decimals = _decimals(value_text(max(extremes, key=abs), strip.unit))
    return fmt.number(extremes[0], decimals), fmt.number(extremes[1], decimals)


def _decimals(text: str) -> int:
    return len(text) - text.index(".") - 1 if "." in text else 0


def nice_time_step(span_s: float, most_labels: int) -> float:
    """The smallest round step that gives no more than so many labels over a span of time."""
    wanted = span_s / max(most_labels, 1)
    if wanted <= 0:
        return 1.0
    for step in _TIME_STEPS:
        if step >= wanted:
            return float(step)
    if wanted > _TIME_STEPS[-1]:
        return 86400.0 * math.ceil(wanted / 86400.0)
    return float(_TIME_STEPS[-1])


def sub_second_step(span_s: float, most_labels: int) -> float:
    """A round step of 1, 2 or 5 times a power of ten for spans of a few seconds."""
    wanted = span_s / max(most_labels, 1)
    power = 10.0 ** math.floor(math.log10(wanted))
    return next((power * m for m in (1, 2, 5) if power * m >= wanted * (1 - 1e-9)), power * 10)


def time_step(span_s: float, most_labels: int) -> float:
    """A round step for labels on a time axis, of any length."""
    if span_s <= 0:
        return 1.0
    return sub_second_step(span_s, most_labels) if span_s < most_labels else nice_time_step(span_s, most_labels)


def event_times(events: Sequence[EventRow]) -> list[float]:
    """Where events begin, in order of time."""
    return sorted({event.from_s for event in events if math.isfinite(event.from_s)})


def time_axis(
    from_s: float, to_s: float, width: int, *, events: Sequence[float] = (), signs: fmt.Signs = fmt.UNICODE_SIGNS
) -> str:
    """One line with times of day's run under their cells and a mark where an event begins.

    Args:
        from_s: Time at the left edge, from the run's first sample [s].
        to_s: Time at the right edge [s].
        width: Cells.
        events: Times of events [s]; marks go before labels where both want a cell.
        signs: What the terminal can draw.
    """
    cells = [" "] * max(width, 0)
    span = to_s - from_s
    if width <= 0:
        return ""
    for moment in events:
        if from_s <= moment <= to_s:
            cells[_cell_of(moment, from_s, span, width)] = signs.event
    step = time_step(span, max(width // 11, 1))
    for label, at in _labels(from_s, to_s, step, width):
        start = min(max(at, 0), width - len(label))
        around = cells[max(start - 1, 0) : start + len(label) + 1]
        if start >= 0 and all(cell == " " for cell in around):
            cells[start : start + len(label)] = label
    return "".join(cells)


def _cell_of(moment: float, from_s: float, span: float, width: int) -> int:
    return 0 if span <= 0 else min(int((moment - from_s) / span * width), width - 1)


def _labels(from_s: float, to_s: float, step: float, width: int) -> list[tuple[str, int]]:
    """Labels and their cells: both ends first, then round steps between."""
    span = to_s - from_s
    if span <= 0:
        return [(fmt.axis_time(from_s, 1.0), 0)]
    ends = [(fmt.axis_time(from_s, step), 0), (fmt.axis_time(to_s, step), width)]
    first = math.ceil(from_s / step + 1e-9)
    last = math.floor(to_s / step - 1e-9)
    between = [n * step for n in range(first, min(last, first + width) + 1)]
    return ends + [(fmt.axis_time(t, step), _cell_of(t, from_s, span, width)) for t in between]
