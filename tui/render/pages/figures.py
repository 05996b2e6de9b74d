"""Plots drawn by matplotlib: SVG and PNG, the same bytes every time. The one place that knows matplotlib.

Colours after Okabe and Ito, darkened where they are too light for white paper; lines differ by dash and marker too.
"""

from __future__ import annotations

import io
import math
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from html import escape
from typing import Any, cast

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from store.model.document import Panel, Plot, Series
from tui.render.pages.numbers import safe

__all__ = ["BAND", "GRID", "INK", "LINES", "PAPER", "draw_png", "draw_svg"]

LINES = ("#0072b2", "#d55e00", "#00785a", "#8a4a72", "#111112", "#7a6a00")
"""On white: contrast of 3 or more each."""
DASHES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)), (0, (9, 3)), (0, (2, 1, 1, 1)))
MARKERS = ("o", "s", "^", "D", "v", "P")
INK, GRID, BAND, PAPER = "#1b1b1c", "#d4d4d5", "#e3ecf3", "#ffffff"

WIDTH_IN = 5.8
_DPI = 200
_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.titlesize": 9.0,
    "axes.labelsize": 9.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "text.parse_math": False,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "lines.linewidth": 1.4,
    "lines.markersize": 4.5,
    "svg.fonttype": "none",
    "figure.facecolor": PAPER,
    "axes.facecolor": PAPER,
}


@contextmanager
def _style(salt: str) -> Iterator[None]:
    """Our settings alone, whatever a person's own are; the salt makes the SVG's ids repeatable."""
    with mpl.rc_context(), warnings.catch_warnings():
        warnings.filterwarnings(
            "ignore", message="Glyph"
        )  # a box stands for what the font lacks; the page has the text
        mpl.rcdefaults()
        cast("dict[str, Any]", mpl.rcParams).update({**_STYLE, "svg.hashsalt": salt})
        yield


def draw_svg(plot: Plot) -> str:
    """A plot as SVG with title and description, text kept as text, nothing loaded from elsewhere."""
    with _style(plot.id):
        figure = _figure(plot)
        FigureCanvasSVG(figure)
        target = io.StringIO()
        figure.savefig(target, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = target.getvalue()
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    head = f"<title>{escape(safe(plot.title))}</title><desc>{escape(safe(plot.alt))}</desc>"
    return re.sub(r"(<svg\b[^>]*)>", lambda m: f'{m[1]} role="img">{head}', text, count=1)


def draw_png(plot: Plot) -> bytes:
    """A plot as PNG at twice the usual density."""
    with _style(plot.id):
        figure = _figure(plot)
        FigureCanvasAgg(figure)
        target = io.BytesIO()
        figure.savefig(target, format="png", dpi=_DPI, metadata={"Software": None})
    return target.getvalue()


def _figure(plot: Plot) -> Figure:
    across = plot.across if len(plot.panels) > 1 else 1
    down = math.ceil(len(plot.panels) / across)
    labelled = _labels(plot)
    shared = across == 1
    tall = (2.35 if down > 1 or across > 1 else 2.9) * down + 0.22 * len(labelled)
    figure = Figure(figsize=(WIDTH_IN, tall), layout="constrained")
    grid = figure.subplots(down, across, sharex=shared, squeeze=False)
    axes: list[Axes] = [grid[i // across][i % across] for i in range(down * across)]
    for ax, panel in zip(axes, plot.panels, strict=False):
        _draw(ax, panel)
    for ax in axes[len(plot.panels) :]:
        ax.set_axis_off()
    if labelled:
        handles, names = _handles(axes, labelled)
        figure.legend(handles, names, loc="outside upper left", ncols=1)
    return figure


def _labels(plot: Plot) -> list[str]:
    """Labels that need a legend: where a panel shows several lines, or lines of several kinds."""
    found = [series.label for panel in plot.panels for series in panel.series]
    distinct = list(dict.fromkeys(found))
    return distinct if any(len(panel.series) > 1 for panel in plot.panels) or plot.across == 1 else []


def _handles(axes: Sequence[Axes], labels: Sequence[str]) -> tuple[list[Any], list[str]]:
    found: dict[str, Any] = {}
    for ax in axes:
        for handle, name in zip(*ax.get_legend_handles_labels(), strict=True):
            found.setdefault(name, handle)
    names = [safe(label) for label in labels if safe(label) in found]
    return [found[name] for name in names], names


def _draw(ax: Axes, panel: Panel) -> None:
    for band in panel.bands:
        ax.axhspan(band.low, band.high, color=BAND, zorder=0, linewidth=0)
        for edge in (band.low, band.high):
            ax.axhline(edge, color=INK, linewidth=0.7, linestyle=(0, (4, 3)), zorder=1)
    for series in panel.series:
        _draw_series(ax, series)
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
    if panel.bands:
        _widen(ax, panel)
    for x, text in panel.marks:
        ax.axvline(x, color=INK, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
        ax.annotate(
            safe(text), (x, 1.0), xycoords=("data", "axes fraction"), xytext=(3, -9), textcoords="offset points"
        )


def _widen(ax: Axes, panel: Panel) -> None:
    """Room about the allowed window, so that its edges show."""
    low = min(band.low for band in panel.bands)
    high = max(band.high for band in panel.bands)
    values = [v for s in panel.series for v in s.y if v is not None]
    low, high = min([low, *values]), max([high, *values])
    room = 0.08 * ((high - low) or 1.0)
    ax.set_ylim(low - room, high + room)


def _numbers(values: Sequence[float | None]) -> list[float]:
    return [math.nan if value is None else value for value in values]


def _draw_series(ax: Axes, series: Series) -> None:
    k = series.style
    colour, dash, marker = LINES[k % len(LINES)], DASHES[k % len(DASHES)], MARKERS[k % len(MARKERS)]
    x, y = list(series.x), _numbers(series.y)
    label = safe(series.label)
    if series.manner == "line":
        if series.low:
            ax.fill_between(x, _numbers(series.low), _numbers(series.high), color=colour, alpha=0.18, linewidth=0)
        ax.plot(x, y, color=colour, linestyle=dash, label=label)
        return
    line = dash if series.manner == "line and points" else "none"
    ax.plot(x, y, color=colour, linestyle=line, marker=marker, label=label)
    if series.low:
        half = [
            [0.0 if math.isnan(v) or math.isnan(e) else abs(v - e) for v, e in zip(y, _numbers(edge), strict=True)]
            for edge in (series.low, series.high)
        ]
        ax.errorbar(x, y, yerr=half, fmt="none", ecolor=colour, elinewidth=1.0, capsize=3.0)
