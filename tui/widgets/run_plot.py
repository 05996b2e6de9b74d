"""The plot of one run with its legend, second axis and rail of events.

Knows Textual, the plot adapter and finished strips; no library.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.message import Message
from textual.widgets import Static

from store.model.records import EventRow, Strip, StripSet
from tui.state.lines import Line, line
from tui.state.look import Look
from tui.state.plot import PATTERNS, Axis, event_rail, is_second_axis, pieces, unit_of, value_axis
from tui.state.strips import empty_buckets_to_bridge
from tui.theme import LINE_COLOURS, THEMES
from tui.widgets.lines_view import LinesView
from tui.widgets.trace_plot import LEFT, DrawnLine, TracePlot

__all__ = ["RunPlot", "colour_of"]

RIGHT = 7
"""Cells for the labels of the right axis."""

_ORDER = {"power_w": 0, "temperature_c": 1, "voltage_v": 2, "current_a": 3}


def colour_of(channel: str, theme: str) -> str:
    """The colour of a channel's line: the same on every page."""
    colours = LINE_COLOURS.get(theme, LINE_COLOURS[THEMES[0].name])
    if channel in _ORDER:
        return colours[_ORDER[channel]]
    return colours[1] if is_second_axis(channel) else colours[4 + sum(map(ord, channel)) % 2]


class RunPlot(Vertical):
    """Lines over time with two axes."""

    class Resized(Message):
        """The plot has another number of columns; finer strips may be wanted."""

    def __init__(self, look: Look, *, id: str | None = None) -> None:  # noqa: A002 (Textual's word)
        super().__init__(id=id)
        self._look = look

    def compose(self) -> ComposeResult:
        """Legend, plot between its axes, rail."""
        yield LinesView(id="plot-legend")
        with Horizontal(id="plot-row"):
            yield TracePlot(is_ascii=self._look.is_ascii, id="trace-plot")
            yield Static("", id="right-axis", markup=False)
        yield LinesView(id="plot-rail")

    def on_resize(self) -> None:
        """Tell whoever has finer strips."""
        self.post_message(self.Resized())

    @property
    def columns(self) -> int:
        """Cells that data can take."""
        return self.query_one(TracePlot).columns

    def show(
        self,
        strips: StripSet,
        channels: Sequence[str],
        *,
        span_s: tuple[float, float],
        interval_s: float | None,
        cursor_s: float | None,
        events: Sequence[EventRow],
        legend: Line,
    ) -> None:
        """Draw channels of a run.

        Args:
            strips: Minimum and maximum per time bucket.
            channels: What to draw; temperatures stand on the right axis.
            span_s: First and last time shown [s].
            interval_s: Time between samples [s].
            cursor_s: Where the cursor stands [s].
            events: Marks on the rail.
            legend: The line above.
        """
        plot = self.query_one(TracePlot)
        left = [s for name in channels if not is_second_axis(name) and (s := strips.strip(name)) is not None]
        right = [s for name in channels if is_second_axis(name) and (s := strips.strip(name)) is not None]
        main = (left or right)[:1]
        axis = value_axis(main, unit_of(main[0].channel) if main else "", plot.rows)
        second = value_axis(right, "°C", plot.rows) if right and left else None
        bridge = empty_buckets_to_bridge(strips, interval_s)
        lines: list[DrawnLine] = []
        for strip in (*right, *reversed(left)):
            own = second if is_second_axis(strip.channel) and second else axis
            if not is_second_axis(strip.channel) and strip is not main[0]:
                own = value_axis([strip], unit_of(strip.channel), plot.rows)
            lines += self._lines(strips, strip, axis, own, bridge=bridge, pattern=self._pattern(strip, left, right))
        theme = self.app.theme
        plot.draw(lines, axis, span_s, cursor_s=cursor_s, cursor_colour=self._plain_colour(theme))
        self._label_right(second, plot.rows)
        self.query_one("#plot-legend", LinesView).show([self._coloured(legend)])
        rail = event_rail(events, *span_s, plot.columns, self._look.signs)
        self.query_one("#plot-rail", LinesView).show([line(" " * (LEFT + 1), *rail)])

    @staticmethod
    def _pattern(strip: Strip, left: Sequence[Strip], right: Sequence[Strip]) -> tuple[int, int]:
        order = [of.channel for of in (left if strip.channel in {of.channel for of in left} else right)]
        return PATTERNS[order.index(strip.channel) % len(PATTERNS)]

    def _lines(
        self, strips: StripSet, strip: Strip, axis: Axis, own: Axis, *, bridge: int, pattern: tuple[int, int]
    ) -> list[DrawnLine]:
        colour = colour_of(strip.channel, self.app.theme)
        return [
            DrawnLine(t, axis.low + (axis.high - axis.low) * np.asarray(own.place(v)), colour)  # type: ignore[arg-type]
            for t, v in pieces(strips, strip, bridge=bridge, pattern=pattern)
        ]

    @staticmethod
    def _plain_colour(theme: str) -> str:
        return LINE_COLOURS.get(theme, LINE_COLOURS[THEMES[0].name])[5]

    def _label_right(self, axis: Axis | None, rows: int) -> None:
        pane = self.query_one("#right-axis", Static)
        pane.display = axis is not None
        if axis is None:
            return
        lines = [""] * (rows + 2)
        for tick, label in zip(axis.ticks, axis.labels, strict=True):
            y = rows - int(axis.place(tick) * rows + 0.5)
            if 0 <= y <= rows:
                lines[y] = label
        lines[0] = lines[0] or self._look.signs.degree_c
        colour = colour_of("temperature_c", self.app.theme)
        pane.update(Content("\n".join(text.rjust(RIGHT - 2) for text in lines)).stylize(colour))

    def _coloured(self, legend: Line) -> Line:
        return tuple(
            (text, role) if not role.startswith("channel:") else (text, f"colour:{colour_of(role[8:], self.app.theme)}")
            for text, role in legend
        )
