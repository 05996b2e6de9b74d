"""Compare: marked runs laid over each other, one channel at a time, results side by side.

Knows Textual, the model and the library's calls.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult

from store.judge.measured import Measured
from store.model.records import RunView, StripSet
from tui.keys import bindings
from tui.screens.publishing import PublishingScreen
from tui.state.compare import LETTERS, CompareModel
from tui.state.lines import Line, line
from tui.state.plot import PATTERNS, pieces, unit_of, value_axis
from tui.state.strips import empty_buckets_to_bridge
from tui.state.words import channel_words
from tui.theme import LINE_COLOURS, THEMES
from tui.widgets.lines_view import LinesView, RuleLine
from tui.widgets.paged_list import PagedList
from tui.widgets.trace_plot import DrawnLine, TracePlot

__all__ = ["CompareScreen"]

MOST = 6
"""Runs that can still be distinguished when overlaid (chosen by us)."""


class CompareScreen(PublishingScreen):
    """Runs over each other."""

    PLACE: ClassVar[str] = "compare"
    NAME: ClassVar[str] = "Compare"
    CSS_PATH = "compare.tcss"
    BINDINGS = bindings("compare")

    def __init__(self, run_ids: Sequence[int]) -> None:
        super().__init__()
        self._run_ids = list(run_ids)[:MOST]
        self._left_out = len(run_ids) - len(self._run_ids)
        self._rows: list[Line] = []

    def body(self) -> ComposeResult:
        """Legend, plot, results."""
        look = self.joulebook.look
        self.model = CompareModel(look)
        yield RuleLine(look.signs.rule)
        yield LinesView(id="compare-legend")
        yield TracePlot(is_ascii=look.is_ascii, id="compare-plot")
        yield RuleLine(look.signs.rule)
        yield LinesView(id="compare-note")
        yield PagedList(self._row, self.model.head_line, sign=look.signs.cursor, id="compare-rows")

    def on_mount(self) -> None:
        """Read the runs."""
        self.paged_list.focus()
        if self._left_out:
            self.tell(
                f"the first {MOST} marked runs are shown; {self._left_out} more could not be distinguished",
                is_problem=False,
            )
        self.library_changed()

    @property
    def paged_list(self) -> PagedList:
        """Results side by side."""
        return self.query_one("#compare-rows", PagedList)

    def _take(self, came: tuple[list[RunView], dict[int, dict[str, Measured]]]) -> None:
        views, self.model.measured = came
        self.model.views = views
        self.model.strips = {v.facts.run_id: v.preview for v in views}
        if told := self.model.choose_channel():
            self.tell(told, is_problem=False)
        self._paint()
        self._read_strips()

    def _read_strips(self) -> None:
        library, channel = self.joulebook.library, self.model.channel
        runs = [v.facts.run_id for v in self.model.views if channel in v.channels]
        buckets = max(2 * self.query_one(TracePlot).columns, 2)

        def done(strips: dict[int, StripSet]) -> None:
            self.model.strips = strips
            self._paint()

        self.ask_library(
            "strips", lambda: {r: library.samples.strips(r, (channel,), buckets=buckets) for r in runs}, done
        )

    def _colour(self, index: int) -> str:
        colours = LINE_COLOURS.get(self.app.theme, LINE_COLOURS[THEMES[0].name])
        return colours[index % len(colours)]

    def _paint(self) -> None:
        model = self.model
        plot = self.query_one(TracePlot)
        whole = model.all_in_one()
        axis = value_axis([whole] if whole else [], unit_of(model.channel), plot.rows)
        lines: list[DrawnLine] = []
        intervals = {v.facts.run_id: v.interval_s for v in model.views}
        for shifted in reversed(model.shifted()):
            index = LETTERS.index(shifted.letter)
            bridge = empty_buckets_to_bridge(shifted.strips, intervals[shifted.run_id])
            drawn = pieces(shifted.strips, shifted.strip, bridge=bridge, pattern=PATTERNS[index % len(PATTERNS)])
            lines += [DrawnLine(t, v, self._colour(index)) for t, v in drawn]
        plot.draw(
            lines, axis, model.span_s(), cursor_s=0.0 if model.origin == "load" else None, cursor_colour=self._colour(5)
        )
        unit = self.joulebook.look.signs.unit(unit_of(model.channel))
        since = "load applied" if model.origin == "load" else "the clock"
        self.top_line.tell(middle=f"{channel_words(model.channel)} in {unit}, from {since}")
        legend = []
        for index, view in enumerate(model.views):
            on, off = PATTERNS[index % len(PATTERNS)]
            sample = "━━━━" if not off else ("╍╍╍╍" if on > off else "┅┅┅┅")
            sample = "----" if self.joulebook.look.is_ascii else sample
            legend.append(line((f" {LETTERS[index]} {sample} ", f"colour:{self._colour(index)}"), model.label(view)))
        legend += [line((f" {told}", "warn")) for told in model.conditions_words(self.size.width - 2)]
        self.query_one("#compare-legend", LinesView).show(legend)
        self.query_one("#compare-note", LinesView).show([line((f" {model.legend_words()}", "dim"))])
        self._rows = model.rows(self.paged_list.size.width - 3)
        self.paged_list.count = len(self._rows)
        self.paged_list.repaint()

    def _row(self, index: int, width: int) -> Line | None:
        del width
        return line(" ", *self._rows[index]) if index < len(self._rows) else None

    def resized(self) -> None:
        """Draw in the new size."""
        self._paint()

    def chosen(self) -> tuple[tuple[int, ...], tuple[str, ...]]:
        """The runs that are laid over each other."""
        return tuple(self._run_ids), ()

    def library_changed(self) -> None:
        """Facts or results may be others now."""
        library, run_ids = self.joulebook.library, self._run_ids

        def call() -> tuple[list[RunView], dict[int, dict[str, Measured]]]:
            return [library.runs.get(r) for r in run_ids], library.results.measured(run_ids)

        self.ask_library("runs", call, self._take)

    def action_channel(self, channel: str) -> None:
        """Compare another channel."""
        if all(channel not in v.channels for v in self.model.views):
            self.tell(f"none of these runs has {channel_words(channel)}", is_problem=False)
            return
        self.tell("")
        self.model.channel = channel
        self._read_strips()

    def action_origin(self) -> None:
        """Lay on load applied, or on the clock."""
        self.model.origin = "clock" if self.model.origin == "load" else "load"
        self._paint()

    def action_picture(self) -> None:
        """Ask for a file and draw what is shown."""
        self.picture_runs(self._run_ids, [self.model.channel])

    def action_down(self) -> None:
        """Next result."""
        self.paged_list.move(1)

    def action_up(self) -> None:
        """Result before."""
        self.paged_list.move(-1)
