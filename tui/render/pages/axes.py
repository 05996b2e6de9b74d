"""One pair of axes drawn by matplotlib, for pages and for pictures alike: lines, points, bars, bands, marks.

Colours after Okabe and Ito, darkened where they are too light for white paper; lines differ by dash and marker too.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, cast

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.transforms import ScaledTranslation

from store.model.document import Panel, Series
from tui.render.pages.numbers import safe

__all__ = ["DARK", "DASHES", "FONT", "LIGHT", "MARKERS", "Palette", "draw_panel", "style"]

FONT = "DejaVu Sans"
DASHES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)), (0, (9, 3)), (0, (2, 1, 1, 1)))
MARKERS = ("o", "s", "^", "D", "v", "P")


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours on one ground."""

    lines: tuple[str, ...]
    """By style; a contrast of 3 or more against the paper each (WCAG 2.2, 1.4.11)."""
    ink: str
    soft: str
    """Secondary text; 4.5 or more against the paper."""
    grid: str
    band: str
    paper: str


LIGHT = Palette(
    ("#0072b2", "#d55e00", "#00785a", "#8a4a72", "#111112", "#7a6a00"),
    ink="#1b1b1c",
    soft="#55565a",
    grid="#d4d4d5",
    band="#e3ecf3",
    paper="#ffffff",
)
DARK = Palette(
    ("#56b4e9", "#e69f00", "#3fc79b", "#e39cc4", "#f4f4f5", "#e6d94a"),
    ink="#e8e8ea",
    soft="#a9abb0",
    grid="#35373b",
    band="#21303c",
    paper="#141517",
)


@contextmanager
def style(salt: str, palette: Palette, settings: Mapping[str, Any]) -> Iterator[None]:
    """Our settings alone, whatever a person's own are; the salt makes the SVG's ids repeatable."""
    own = {
        "font.family": FONT,
        "text.parse_math": False,
        "legend.frameon": False,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.edgecolor": palette.ink,
        "axes.labelcolor": palette.ink,
        "xtick.color": palette.ink,
        "ytick.color": palette.ink,
        "text.color": palette.ink,
        "grid.color": palette.grid,
        "figure.facecolor": palette.paper,
        "axes.facecolor": palette.paper,
        "svg.hashsalt": salt,
    }
    with mpl.rc_context(), warnings.catch_warnings():
        # A box stands for what the font lacks; the text beside the picture has it.
        warnings.filterwarnings("ignore", message="Glyph")
        mpl.rcdefaults()
        cast("dict[str, Any]", mpl.rcParams).update({**own, **settings})
        yield


def draw_panel(ax: Axes, panel: Panel, palette: Palette) -> None:
    """Everything that a panel shows, but for the legend."""
    if any(series.manner == "bars" for series in panel.series):
        _draw_bars(ax, panel, palette)
        return
    for band in panel.bands:
        ax.axhspan(band.low, band.high, color=palette.band, zorder=0, linewidth=0)
        for edge in dict.fromkeys((band.low, band.high)):
            ax.axhline(edge, color=palette.ink, linewidth=0.7 * _thin(), linestyle=(0, (4, 3)), zorder=1)
    for series, moves in zip(panel.series, _apart(panel.series), strict=True):
        _draw_series(ax, series, palette, moves)
    ax.grid(visible=True, axis="both" if not panel.x_words else "y", zorder=0)
    ax.set_axisbelow(True)
    ax.set_ylabel(safe(panel.y_label))
    if panel.x_label.strip():
        ax.set_xlabel(safe(panel.x_label))
    if panel.title:
        ax.set_title(safe(panel.title), loc="left")
    if panel.x_words:
        ax.set_xticks(range(len(panel.x_words)), [safe(word) for word in panel.x_words])
        ax.set_xlim(-0.6, len(panel.x_words) - 0.4)
    if panel.from_zero:
        ax.set_ylim(bottom=0)
    if panel.x_from_zero:
        ax.set_xlim(left=0)
    if panel.bands:
        _widen(ax, panel)
    for x, text in panel.marks:
        ax.axvline(x, color=palette.ink, linewidth=0.8 * _thin(), linestyle=(0, (1, 2)), zorder=1)
        size = float(mpl.rcParams["font.size"])
        ax.annotate(
            safe(text),
            (x, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0.33 * size, -size),
            textcoords="offset points",
        )
    _mark_cuts(ax, panel, palette)


def _thin() -> float:
    """How much thicker lines are than on a page."""
    return float(mpl.rcParams["lines.linewidth"]) / 1.4


def _widen(ax: Axes, panel: Panel) -> None:
    """Room about the allowed window, so that its edges show."""
    low = min(band.low for band in panel.bands)
    high = max(band.high for band in panel.bands)
    values = [v for s in panel.series for v in (*s.y, *s.high) if v is not None]
    low, high = min([low, *values]), max([high, *values])
    room = 0.08 * ((high - low) or 1.0)
    ax.set_ylim(0.0 if panel.from_zero else low - room, high + room)


def _numbers(values: Sequence[float | None]) -> list[float]:
    return [math.nan if value is None else value for value in values]


def _apart(series: Sequence[Series]) -> list[tuple[float, ...]]:
    """How far each point moves to the side, in widths of a marker, so that no two points of different sets coincide.

    Two points coincide where they differ by under a fiftieth of what is shown, either way.
    """
    points = [
        (k, i, x, y)
        for k, one in enumerate(series)
        if one.manner != "line"
        for i, (x, y) in enumerate(zip(one.x, one.y, strict=True))
        if y is not None
    ]
    moves = [[0.0] * len(one.x) for one in series]
    if points:
        near_x, near_y = ((max(p[at] for p in points) - min(p[at] for p in points)) / 50 or 1e-9 for at in (2, 3))
        left = list(points)
        while left:
            group = [left.pop(0)]
            for point in list(left):
                meets = any(abs(point[2] - p[2]) <= near_x and abs(point[3] - p[3]) <= near_y for p in group)
                if meets and point[0] not in {p[0] for p in group}:
                    group.append(point)
                    left.remove(point)
            for place, (k, i, _, _) in enumerate(group):
                moves[k][i] = place - (len(group) - 1) / 2
    return [tuple(one) for one in moves]


def _draw_series(ax: Axes, series: Series, palette: Palette, moves: Sequence[float]) -> None:
    k = series.style
    colour = palette.lines[k % len(palette.lines)]
    dash, marker = DASHES[k % len(DASHES)], MARKERS[k % len(MARKERS)]
    x, y = list(series.x), _numbers(series.y)
    label = safe(series.label)
    if series.manner == "line":
        if series.low:
            ax.fill_between(x, _numbers(series.low), _numbers(series.high), color=colour, alpha=0.18, linewidth=0)
        ax.plot(x, y, color=colour, linestyle=dash, label=label)
        return
    has_line = series.manner == "line and points"
    if has_line:
        ax.plot(x, y, color=colour, linestyle=dash, zorder=2)
    size = float(mpl.rcParams["lines.markersize"])
    edges = (_numbers(series.low), _numbers(series.high)) if series.low else None
    for move in dict.fromkeys(moves):
        here = [i for i, one in enumerate(moves) if one == move]
        offset = ScaledTranslation(1.2 * size * move / 72, 0, ax.figure.dpi_scale_trans)
        own: dict[str, Any] = {"transform": ax.transData + offset} if move else {}
        at_x, at_y = [x[i] for i in here], [y[i] for i in here]
        ax.plot(at_x, at_y, color=colour, linestyle="none", marker=marker, **own)
        if edges is not None:
            half = [[0.0 if math.isnan(y[i] - edge[i]) else abs(y[i] - edge[i]) for i in here] for edge in edges]
            ax.errorbar(
                at_x, at_y, yerr=half, fmt="none", ecolor=colour, elinewidth=_thin(), capsize=0.67 * size, **own
            )
    # What is drawn beside its place by a transformation of its own does not widen the axes by itself.
    shown = [(a, b) for a, b in zip(x, y, strict=True) if not math.isnan(b)]
    if edges is not None:
        shown += [(a, b) for edge in edges for a, b in zip(x, edge, strict=True) if not math.isnan(b)]
    if shown:
        ax.update_datalim(shown)
        ax.autoscale_view()
    ax.plot([], [], color=colour, linestyle=dash if has_line else "none", marker=marker, label=label)


def _draw_bars(ax: Axes, panel: Panel, palette: Palette) -> None:
    """One bar under another, each with its words at the left, its ± as a whisker and its value behind it."""
    series = panel.series[0]
    y = _numbers(series.y)
    places = [-place for place in range(len(y))]
    colour = palette.lines[series.style % len(palette.lines)]
    ax.barh(places, [0.0 if math.isnan(v) else v for v in y], color=colour, height=0.55, zorder=2)
    if series.low:
        half = [
            [0.0 if math.isnan(v) or math.isnan(e) else abs(v - e) for v, e in zip(y, _numbers(edge), strict=True)]
            for edge in (series.low, series.high)
        ]
        ends = [0.0 if math.isnan(v) else v for v in y]
        ax.errorbar(
            ends, places, xerr=half, fmt="none", ecolor=palette.ink, elinewidth=_thin(), capsize=4 * _thin(), zorder=3
        )
    largest = max([v for v in (*y, *_numbers(series.high)) if not math.isnan(v)], default=1.0) or 1.0
    size = float(mpl.rcParams["font.size"])
    ends = _numbers(series.high) if series.high else y
    for place, value, end, words in zip(places, y, ends, panel.values or [""] * len(y), strict=True):
        at = 0.0 if math.isnan(value) else (value if math.isnan(end) else end)
        ax.annotate(safe(words), (at, place), xytext=(0.5 * size, 0), textcoords="offset points", va="center", zorder=4)
    ax.set_yticks(places, [safe(word) for word in panel.x_words])
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(True)
    ax.set_xlim(0, 1.02 * largest)
    ax.set_xlabel(safe(panel.y_label))
    ax.grid(visible=True, axis="x", zorder=0)
    ax.set_axisbelow(True)


def _mark_cuts(ax: Axes, panel: Panel, palette: Palette) -> None:
    """Two strokes across each axis that does not begin at zero."""
    low_y, high_y = sorted(ax.get_ylim())
    low_x, high_x = sorted(ax.get_xlim())
    size = float(mpl.rcParams["font.size"]) / 72
    if low_y > 0 or high_y < 0:
        _cut(ax, palette, (0, size * 0.55), is_upright=True)
    if not panel.x_words and (low_x > 0 or high_x < 0):
        _cut(ax, palette, (size * 0.55, 0), is_upright=False)


def _cut(ax: Axes, palette: Palette, at_in: tuple[float, float], *, is_upright: bool) -> None:
    size = float(mpl.rcParams["font.size"]) / 72
    for step in (-0.14, 0.14):
        dx, dy = at_in[0] + (0 if is_upright else step * size), at_in[1] + (step * size if is_upright else 0)
        per_inch = ax.figure.dpi_scale_trans
        moved = per_inch + ScaledTranslation(dx, dy, per_inch)
        corner = ScaledTranslation(0, 0, cast("Any", ax.transAxes))
        reach = 0.36 * size
        rise = 0.16 * size
        ends = ([-reach, reach], [-rise, rise]) if is_upright else ([-rise, rise], [-reach, reach])
        stroke = Line2D(*ends, color=palette.ink, linewidth=1.1 * _thin(), transform=moved + corner, clip_on=False)
        stroke.set_gid("cut")
        stroke.set_in_layout(False)
        ax.add_line(stroke)
