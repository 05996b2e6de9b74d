"""The large plot: textual-plot with two quiet axes, gaps left open, a cursor that hides no data.

The one place that adapts `textual_plot`; knows Textual and finished lines, no library.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Grid
from textual_hires_canvas import Canvas, HiResMode
from textual_plot import AxisFormatter, NumericAxisFormatter, PlotWidget
from textual_plot.plot_widget import Legend, VLinePlot

from tui.state.plot import Axis, time_ticks

__all__ = ["DrawnLine", "TracePlot"]

FloatArray = npt.NDArray[np.float64]

LEFT = 8
"""Cells for the labels of the left axis."""


@dataclass(frozen=True, slots=True)
class DrawnLine:
    """One stretch of a line, in the plot's own values."""

    t_s: FloatArray
    value: FloatArray
    colour: str


class _Quiet(Canvas):
    """A canvas that draws two thin axes in place of a box, and marks only where nothing is drawn yet."""

    is_ascii = False

    def draw_rectangle_box(self, x0: int, y0: int, x1: int, y1: int, thickness: int = 1, style: str = "white") -> None:  # noqa: PLR0917 (the base class says so)
        """Draw the left and the bottom side, thin."""
        del thickness
        upright, level, corner = ("|", "-", "+") if self.is_ascii else ("│", "─", "└")
        for y in range(y0, y1):
            self.set_pixel(x0, y, upright, style)
        for x in range(x0 + 1, x1 + 1):
            self.set_pixel(x, y1, level, style)
        self.set_pixel(x0, y1, corner, style)

    def draw_line(self, x0: int, y0: int, x1: int, y1: int, char: str = "█", style: str = "white") -> None:  # noqa: PLR0917 (the base class says so)
        """Draw a cursor around the data, data in what the terminal can show."""
        if char == "│" and x0 == x1:
            for y in range(min(y0, y1), max(y0, y1) + 1):
                if self._is_blank(x0, y):
                    self.set_pixel(x0, y, ":" if self.is_ascii else "┊", style)
            return
        super().draw_line(x0, y0, x1, y1, style=style, char="*" if self.is_ascii else char)

    def _is_blank(self, x: int, y: int) -> bool:
        inside = 0 <= x < self.size.width and 0 <= y < self.size.height
        return inside and self.get_pixel(x, y)[0] in {" ", ""}


class _TimeTicks(AxisFormatter):
    """Round times, as many as the width allows."""

    def __init__(self, width: int) -> None:
        self._width = width
        self._most = max(width // 12, 1)

    def get_ticks(self, min_: float, max_: float, max_ticks: int = 8) -> list[float]:
        """Round times between two [s]."""
        return self.get_ticks_and_labels(min_, max_, max_ticks)[0]

    def get_labels_for_ticks(self, ticks: Sequence[float]) -> list[str]:
        """How times [s] are written."""
        return time_ticks(min(ticks), max(ticks), max(len(ticks) - 1, 1))[1] if len(ticks) > 1 else ["0:00"]

    def get_ticks_and_labels(self, min_: float, max_: float, max_ticks: int = 99) -> tuple[list[float], list[str]]:
        """Ticks and labels between two times [s]; one whose label the right edge would cut is left out."""
        ticks, labels = time_ticks(min_, max_, min(self._most, max_ticks))
        if ticks and (max_ - ticks[-1]) * self._width < (max_ - min_) * (len(labels[-1]) - 2):
            return ticks[:-1], labels[:-1]
        return ticks, labels


class _ValueTicks(AxisFormatter):
    """The ticks that the axis brings along."""

    def __init__(self, axis: Axis) -> None:
        self._axis = axis

    def get_ticks(self, min_: float, max_: float, max_ticks: int = 8) -> list[float]:
        """Ticks of the axis."""
        del min_, max_, max_ticks
        return list(self._axis.ticks)

    def get_labels_for_ticks(self, ticks: Sequence[float]) -> list[str]:
        """Labels of the axis for its own ticks."""
        return [label for tick, label in zip(self._axis.ticks, self._axis.labels, strict=True) if tick in ticks]


class TracePlot(PlotWidget, can_focus=False):
    """Lines over time on a left axis; a second axis is the caller's to label (`Axis.place`)."""

    BINDINGS: ClassVar[list[BindingType]] = []  # (the place's own keys work here)

    def __init__(self, *, is_ascii: bool = False, id: str | None = None) -> None:  # noqa: A002 (Textual's word)
        super().__init__(id=id, allow_pan_and_zoom=False)
        self._is_ascii = is_ascii
        self._is_drawn = False

    def compose(self) -> ComposeResult:
        """The same parts as textual-plot's, on quiet canvases."""
        with Grid():
            for name in ("margin-top", "margin-left", "plot", "margin-bottom"):
                canvas = _Quiet(1, 1, id=name)
                canvas.is_ascii = self._is_ascii
                yield canvas
        yield Legend(id="legend")

    def on_mount(self) -> None:
        """Use as little margin as labels need."""
        self.margin_left, self.margin_top, self.margin_bottom = LEFT, 0, 1

    @property
    def columns(self) -> int:
        """Cells that data can take."""
        return max(self.size.width - LEFT - 2, 2)

    @property
    def rows(self) -> int:
        """Lines that data can take."""
        return max(self.size.height - 3, 2)

    def combine_quad_with_pixel(self, quad: tuple[int, int, int, int], canvas: Canvas, x: int, y: int) -> str:
        """Ticks only on the two axes that are drawn."""
        if quad == (0, 0, 0, 2) and x == 0:
            return "+" if self._is_ascii else "┤"
        if quad == (0, 0, 2, 0):
            return "+" if self._is_ascii else "┬"
        return canvas.get_pixel(x, y)[0]

    def _render_plot(self) -> None:
        """Nothing before there is something to draw: axes from 0 to 1 would be nobody's."""
        if self._is_drawn:
            super()._render_plot()

    def _render_v_line_plot(self, vline: VLinePlot) -> None:
        """A cursor alone, without ties to a box."""
        x, _ = self.get_pixel_from_coordinate(vline.x, 0)
        self.query_one("#plot", Canvas).draw_line(
            x, 0, x, self._scale_rectangle.bottom - 1, char="│", style=vline.line_style
        )

    def draw(
        self,
        lines: Sequence[DrawnLine],
        axis: Axis,
        span_s: tuple[float, float],
        *,
        cursor_s: float | None,
        cursor_colour: str,
        is_time: bool = True,
    ) -> None:
        """Draw everything anew.

        Args:
            lines: Stretches in the left axis' values.
            axis: The left axis.
            span_s: First and last time shown [s].
            cursor_s: Where the cursor stands [s]; None draws none.
            cursor_colour: Colour of the cursor.
            is_time: Whether the axis below is time; else plain numbers.
        """
        self._is_drawn = True
        self.clear()
        self.set_x_formatter(_TimeTicks(self.columns) if is_time else NumericAxisFormatter())
        self.set_y_formatter(_ValueTicks(axis))
        for of in lines:
            mode = None if self._is_ascii else HiResMode.BRAILLE
            self.plot(of.t_s, of.value, line_style=of.colour, hires_mode=mode)
        first, last = span_s
        self.set_xlimits(first, last if last > first else first + 1.0)
        self.set_ylimits(axis.low, axis.high)
        if cursor_s is not None:
            self.add_v_line(cursor_s, line_style=cursor_colour)
