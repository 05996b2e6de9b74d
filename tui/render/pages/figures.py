"""Plots of pages: SVG and PNG, the same bytes every time. Knows matplotlib and documents."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from html import escape
from typing import Any

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from store.model.document import Plot
from tui.render.pages.axes import LIGHT, draw_panel, style
from tui.render.pages.numbers import safe

__all__ = ["draw_png", "draw_svg", "png_of", "svg_of"]

WIDTH_IN = 5.8
_DPI = 200
_STYLE: dict[str, Any] = {
    "font.size": 9.0,
    "axes.titlesize": 9.0,
    "axes.labelsize": 9.0,
    "axes.linewidth": 0.8,
    "grid.linewidth": 0.6,
    "legend.fontsize": 8.5,
    "lines.linewidth": 1.4,
    "lines.markersize": 4.5,
    "svg.fonttype": "none",
}


def draw_svg(plot: Plot) -> str:
    """A plot as SVG with title and description, text kept as text, nothing loaded from elsewhere."""
    with style(plot.id, LIGHT, _STYLE):
        return svg_of(_figure(plot), plot)


def draw_png(plot: Plot) -> bytes:
    """A plot as PNG at twice the usual density."""
    with style(plot.id, LIGHT, _STYLE):
        return png_of(_figure(plot), plot, _DPI)


def svg_of(figure: Figure, plot: Plot) -> str:
    """A drawn figure as the text of an SVG file, with the plot's title and its words for those who can't see it."""
    FigureCanvasSVG(figure)
    target = io.StringIO()
    figure.savefig(target, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = target.getvalue()
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'<g id="cut">', '<g class="cut">', text)
    head = f"<title>{escape(safe(plot.title))}</title><desc>{escape(safe(plot.alt))}</desc>"
    return re.sub(r"(<svg\b[^>]*)>", lambda m: f'{m[1]} role="img">{head}', text, count=1)


def png_of(figure: Figure, plot: Plot, dpi: int) -> bytes:
    """A drawn figure as PNG; its words for those who can't see it are kept in the file."""
    FigureCanvasAgg(figure)
    target = io.BytesIO()
    told = {"Software": None, "Title": safe(plot.title), "Description": safe(plot.alt)}
    figure.savefig(target, format="png", dpi=dpi, metadata=told)
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
        draw_panel(ax, panel, LIGHT)
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
