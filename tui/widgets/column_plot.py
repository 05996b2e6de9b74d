"""One column of an answer over another, drawn.

Knows Textual, the plot adapter and an Arrow table.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from textual.app import ComposeResult
from textual.containers import Vertical

from store.model.records import StripSet
from tui.state import answer as answers
from tui.state.look import Look
from tui.state.plot import nice_axis, pieces
from tui.theme import LINE_COLOURS, THEMES
from tui.widgets.trace_plot import DrawnLine, TracePlot

__all__ = ["ColumnPlot"]


class ColumnPlot(Vertical):
    """Minimum and maximum of a column per span of another.

    Args:
        table: The answer.
        y: Column to draw.
        x: Column it is drawn over; None draws it over the row number.
        look: What the terminal can draw.
    """

    def __init__(self, table: pa.Table, y: str, x: str | None, look: Look) -> None:
        super().__init__()
        self._y_values = answers.numbers_of(table, y)
        self._x_values = answers.numbers_of(table, x) if x else np.arange(1.0, table.num_rows + 1)
        self._y, self._look = y, look

    def compose(self) -> ComposeResult:
        """The plot alone."""
        yield TracePlot(is_ascii=self._look.is_ascii)

    def on_resize(self) -> None:
        """Draw for the width at hand."""
        self.call_after_refresh(self._draw)

    def _draw(self) -> None:
        plot = self.query_one(TracePlot)
        buckets = max(2 * plot.columns, 2)
        strips: StripSet = answers.over(self._x_values, self._y_values, self._y, buckets)
        strip = strips.strips[0]
        colour = LINE_COLOURS.get(self.app.theme, LINE_COLOURS[THEMES[0].name])[0]
        known = ~np.isnan(strip.lowest)
        low = float(strip.lowest[known].min()) if known.any() else 0.0
        high = float(strip.highest[known].max()) if known.any() else 1.0
        lines = [DrawnLine(t, v, colour) for t, v in pieces(strips, strip, bridge=buckets)]
        span = (strips.from_s, strips.to_s)
        plot.draw(
            lines,
            nice_axis(low, high, max(plot.rows // 3, 2)),
            span,
            cursor_s=None,
            cursor_colour=colour,
            is_time=False,
        )
