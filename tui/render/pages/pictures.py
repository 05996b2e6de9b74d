"""Pictures for articles and videos: one message as title, type that is read on a phone, fonts as outlines.

Knows matplotlib and documents. The same picture gives the same bytes every time.
"""

from __future__ import annotations

import re
from enum import StrEnum
from functools import lru_cache
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.textpath import TextToPath

from store.publish.pictures import Picture
from tui.render.pages.axes import DARK, FONT, LIGHT, Palette, draw_panel, style
from tui.render.pages.figures import png_of, svg_of
from tui.render.pages.numbers import safe

__all__ = ["SIZES", "Ground", "Shape", "missing_letters", "picture_png", "picture_svg"]

_DPI = 100


class Shape(StrEnum):
    """Proportions of a picture."""

    WIDE = "wide"
    SQUARE = "square"


class Ground(StrEnum):
    """What it stands on."""

    LIGHT = "light"
    DARK = "dark"


SIZES = {Shape.WIDE: (1920, 1080), Shape.SQUARE: (1080, 1080)}
"""Width and height [px]."""
_TYPE = {Shape.WIDE: (40, 60, 32), Shape.SQUARE: (32, 48, 28)}
"""Heights of type [px]: labels, title, source. 28 px of 1080 is 9 px where a phone shows the picture 360 px wide."""
_MARGIN = 0.035
_BAR = 0.36
"""Height of a bar, of the space that a device has."""


def picture_svg(picture: Picture, shape: Shape, ground: Ground) -> str:
    """The picture as SVG: every letter an outline, nothing loaded, no font needed."""
    palette = DARK if ground is Ground.DARK else LIGHT
    with style(f"{picture.plot.id}-{shape}-{ground}", palette, _settings(shape)):
        return svg_of(_figure(picture, shape, palette), picture.plot)


def picture_png(picture: Picture, shape: Shape, ground: Ground) -> bytes:
    """The picture as PNG of exactly that many pixels."""
    palette = DARK if ground is Ground.DARK else LIGHT
    with style(f"{picture.plot.id}-{shape}-{ground}", palette, _settings(shape)):
        return png_of(_figure(picture, shape, palette), picture.plot, _DPI)


def missing_letters(text: str) -> str:
    """Letters of a text that the font of pictures lacks; a box stands for each in the picture."""
    known = get_font(findfont(FontProperties(family=FONT))).get_charmap()
    return "".join(dict.fromkeys(c for c in safe(text) if ord(c) not in known and not c.isspace()))


def _settings(shape: Shape) -> dict[str, Any]:
    points = _points(_TYPE[shape][0])
    return {
        "font.size": points,
        "axes.titlesize": points,
        "axes.labelsize": points,
        "xtick.labelsize": points,
        "ytick.labelsize": points,
        "legend.fontsize": points,
        "axes.linewidth": 2.0,
        "xtick.major.width": 2.0,
        "ytick.major.width": 2.0,
        "xtick.major.size": 8.0,
        "ytick.major.size": 8.0,
        "grid.linewidth": 1.2,
        "lines.linewidth": 4.0,
        "lines.markersize": 14.0,
        "svg.fonttype": "path",
        "figure.dpi": _DPI,
    }


def _points(pixels: float) -> float:
    return pixels * 72 / _DPI


@lru_cache(maxsize=512)
def _width_px(text: str, pixels: float, *, is_bold: bool = False) -> float:
    weight = "bold" if is_bold else "normal"
    found = TextToPath().get_text_width_height_descent(
        text, FontProperties(family=FONT, weight=weight, size=_points(pixels)), ismath=False
    )
    return float(found[0]) * _DPI / 72


def _wrapped(text: str, pixels: float, room: float, *, is_bold: bool = False, most: int = 3) -> list[str]:
    """Lines that fit; what does not fit into the last ends in an ellipsis."""
    lines: list[str] = []
    for word in re.sub(r"(?<=\d) (?=[^\d\s])|(?<=±) | (?=±)", "\u00a0", safe(text)).split(" "):
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and _width_px(joined, pixels, is_bold=is_bold) <= room:
            lines[-1] = joined
        else:
            lines.append(word)
    if len(lines) > most:
        lines = [*lines[: most - 1], " ".join(lines[most - 1 :])]
    return [_cut_to(line, pixels, room, is_bold=is_bold) for line in lines]


def _cut_to(line: str, pixels: float, room: float, *, is_bold: bool = False) -> str:
    shown = line
    while len(shown) > 1 and _width_px(shown, pixels, is_bold=is_bold) > room:
        shown = shown.removesuffix("…")[:-1].rstrip() + "…"
    return shown


def _figure(picture: Picture, shape: Shape, palette: Palette) -> Figure:
    width, height = SIZES[shape]
    label, head, small = _TYPE[shape]
    room = width * (1 - 2 * _MARGIN)
    figure = Figure(figsize=(width / _DPI, height / _DPI), dpi=_DPI)
    top = 1 - _MARGIN * width / height
    for line in _wrapped(picture.plot.title, head, room, is_bold=True):
        figure.text(_MARGIN, top, line, size=_points(head), weight="bold", va="top", in_layout=False)
        top -= 1.28 * head / height
    for line in _wrapped(picture.subtitle, label, room, most=2) if picture.subtitle else ():
        figure.text(_MARGIN, top, line, size=_points(label), color=palette.soft, va="top", in_layout=False)
        top -= 1.3 * label / height
    foot = _MARGIN * width / height
    for line in reversed(_wrapped(picture.source, small, room, most=2)):
        figure.text(_MARGIN, foot, line, size=_points(small), color=palette.soft, va="bottom", in_layout=False)
        foot += 1.3 * small / height
    axes = _axes(figure, picture, palette, shape)
    top = _legend(figure, axes, picture, shape, top)
    engine = ConstrainedLayoutEngine(rect=(_MARGIN, foot + 0.01, 1 - 2 * _MARGIN, top - foot - 0.015))
    figure.set_layout_engine(engine)
    return figure


def _axes(figure: Figure, picture: Picture, palette: Palette, shape: Shape) -> list[Axes]:
    panels = picture.plot.panels
    across = picture.plot.across if len(panels) > 1 and shape is Shape.WIDE else 1
    down = -(-len(panels) // across)
    grid = figure.subplots(down, across, sharex=across == 1, squeeze=False)
    axes: list[Axes] = []
    for place, panel in enumerate(panels):
        ax = grid[place // across][place % across]
        draw_panel(ax, panel, palette)
        is_of_bars = any(series.manner == "bars" for series in panel.series)
        if not is_of_bars:
            room = SIZES[shape][0] * (0.85 / across)
            ax.set_ylabel("")
            ax.set_title(_cut_to(safe(panel.y_label), _TYPE[shape][0], room), loc="left")
            ax.set_xlabel(_cut_to(safe(panel.x_label), _TYPE[shape][0], room))
            ax.locator_params(axis="y", nbins=5 if len(panels) < 3 else 3)
            for band in panel.bands:
                if band.low == band.high and band.label:
                    ax.annotate(
                        safe(band.label),
                        (1.0, band.high),
                        xycoords=("axes fraction", "data"),
                        xytext=(-4, 4),
                        textcoords="offset points",
                        ha="right",
                        va="bottom",
                    )
        else:
            _fit_bars(ax, picture, shape)
        axes.append(ax)
    for empty in range(len(panels), down * across):
        grid[empty // across][empty % across].set_axis_off()
    return axes


def _fit_bars(ax: Axes, picture: Picture, shape: Shape) -> None:
    """Names over their bars, so that long ones fit; room at the right for the value behind the longest bar."""
    width, _ = SIZES[shape]
    label = _TYPE[shape][0]
    panel = picture.plot.panels[0]
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    for place, words in enumerate(panel.x_words):
        name = _cut_to(safe(words), label, width * (1 - 2 * _MARGIN))
        ax.annotate(name, (0, -place), xytext=(0, 1.05 * _points(label)), textcoords="offset points", va="center")
    for place, bar in enumerate(ax.containers[0].patches):  # type: ignore[attr-defined]
        bar.set_height(_BAR)
        bar.set_y(-place - _BAR / 2)
    longest = max((_width_px(safe(words), label) for words in panel.values), default=0.0) + label
    high = ax.get_xlim()[1]
    ax.set_xlim(0, high * width / max(width - longest - 2 * _MARGIN * width, width / 3))
    ax.set_ylim(-len(panel.x_words) + 0.45, 0.75)


def _legend(figure: Figure, axes: list[Axes], picture: Picture, shape: Shape, top: float) -> float:
    """Every line's name once, above the axes; returns where room is left below it."""
    found: dict[str, Any] = {}
    for ax in axes:
        for handle, name in zip(*ax.get_legend_handles_labels(), strict=True):
            found.setdefault(name, handle)
    if not found or any(s.manner == "bars" for panel in picture.plot.panels for s in panel.series):
        return top
    width, height = SIZES[shape]
    label = _TYPE[shape][0]
    room = width * (1 - 2 * _MARGIN)
    names = [_cut_to(name, label, room - 4 * label) for name in found]
    each = max(_width_px(name, label) for name in names) + 4.2 * label
    columns = max(1, min(len(names), int(room // each)))
    figure.legend(
        list(found.values()),
        names,
        loc="upper left",
        bbox_to_anchor=(_MARGIN, top),
        ncols=columns,
        borderpad=0.2,
        borderaxespad=0.0,
        handlelength=2.4,
        columnspacing=1.4,
        labelspacing=0.3,
    ).set_in_layout(False)
    return top - (-(-len(names) // columns) * 1.5 * label + 0.5 * label) / height
