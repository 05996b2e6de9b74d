"""Run: one run's plot, results, facts, events and origin.

Knows Textual, the page's model and the library's calls; holds no arithmetic and no SQL.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

import pyarrow as pa
from textual.app import ComposeResult
from textual.containers import Container, Vertical

from importers.schema import CHANNELS
from store.model.records import RunPage, RunView, StripSet
from tui.keys import bindings
from tui.screens.edit import EditScreen
from tui.screens.pick import PickScreen
from tui.screens.publishing import PublishingScreen
from tui.screens.why import WhyScreen
from tui.state.fine_strips import FINE, LONG, FineStrips
from tui.state.lines import Line, line
from tui.state.pick_list import PickEntry, PickList
from tui.state.run_page import PageRow, RunPageModel, nearest_values
from tui.widgets.lines_view import LinesView, RuleLine
from tui.widgets.paged_list import PagedList
from tui.widgets.run_plot import RunPlot

__all__ = ["RunScreen"]


class RunScreen(PublishingScreen):
    """The page of one run."""

    PLACE: ClassVar[str] = "run"
    NAME: ClassVar[str] = "Run"
    CSS_PATH = "run.tcss"
    BINDINGS = bindings("run")

    def __init__(self, run_id: int, view: RunView | None = None) -> None:
        super().__init__()
        self._run_id = run_id
        self._view_at_first = view
        """The run as the glance has it; whatever is committed from now on is read as everywhere."""
        self._after_cursor: Callable[[], None] | None = None
        self._strips: StripSet | None = None
        self._fine = FineStrips(run_id)
        self._fine_asked: tuple[int, tuple[str, ...]] | None = None
        self._rows: list[PageRow] = []

    def body(self) -> ComposeResult:
        """Plot above, the chosen part below, facts and strips beside where there is room."""
        signs = self.joulebook.look.signs
        self.model = RunPageModel(self.joulebook.look, self.joulebook.zone)
        yield RuleLine(signs.rule)
        yield RunPlot(self.joulebook.look, id="run-plot")
        yield LinesView(id="cursor-line")
        yield RuleLine(signs.rule)
        with Container(id="below"):
            with Vertical(id="part"):
                yield LinesView(id="parts-line")
                yield PagedList(self._row, None, sign=signs.cursor, id="rows")
            yield LinesView(id="beside")

    def on_mount(self) -> None:
        """Read the run."""
        self.paged_list.focus()
        view = self._view_at_first
        if view is None:
            self.read_run()
        else:
            self.call_after_refresh(lambda: self._take_run(view))

    @property
    def paged_list(self) -> PagedList:
        """The lines below the plot."""
        return self.query_one("#rows", PagedList)

    @property
    def plot(self) -> RunPlot:
        """The plot."""
        return self.query_one(RunPlot)

    # reading
    def read_run(self) -> None:
        """Ask for the run; its stored preview is drawn at once, finer strips follow."""
        library, run_id = self.joulebook.library, self._run_id
        self.ask_library("run", lambda: library.runs.get(run_id), self._take_run)

    def _take_run(self, view: RunView) -> None:
        if view.facts.run_id != self._run_id:
            return
        is_other = self.model.view is None or self.model.view.facts.run_id != view.facts.run_id
        self.model.take(view)
        if is_other:
            self._strips = view.preview
        self.top_line.tell(place=f"Run {view.facts.run_id}", middle=self.model.title())
        self._paint_plot()
        self._paint_below()
        if is_other and view.samples >= LONG:
            self._after_cursor = self._read_strips  # the whole of a long run takes a while: the small thing first
        else:
            self._read_strips()
        self._read_cursor()

    def _read_strips(self) -> None:
        view = self.model.view
        if view is None or self._after_cursor is not None:
            return
        library, run_id = self.joulebook.library, self._run_id
        channels, span = tuple(self.model.channels), (self.model.from_s, self.model.to_s)
        buckets = max(2 * self.plot.columns, 2)
        if view.samples >= LONG:
            self._read_fine(view)
            if (found := self._fine.window(list(channels), *span, buckets)) is not None:
                self._strips = found
                self._paint_plot()
                return
            if self._fine_asked is not None and span == self.model.run_span_s:
                return  # the preview is on screen, and what is under way brings more than a scan of its own would

        def done(strips: StripSet) -> None:
            self._strips = strips
            self._paint_plot()

        self.ask_library("plot", lambda: library.samples.strips(run_id, channels, *span, buckets), done)

    def _read_fine(self, view: RunView) -> None:
        """Ask once for strips of the whole of a long run, fine enough to zoom into."""
        library, run_id = self.joulebook.library, self._run_id
        if self._fine.run_id != run_id:
            self._fine = FineStrips(run_id)
        wanted = tuple(self._fine.missing([c for c in self.model.channels if c in view.channels]))
        if not wanted or self._fine_asked == (run_id, wanted):
            return
        self._fine_asked = (run_id, wanted)

        def done(strips: StripSet) -> None:
            self._fine_asked = None
            if self._fine.run_id == run_id:
                self._fine.take(strips)
                self._read_strips()

        def failed(error: Exception) -> None:
            self._fine_asked = None
            self.tell_failure(error)

        self.ask_library("fine", lambda: library.samples.strips(run_id, wanted, buckets=FINE), done, failed=failed)

    def _read_cursor(self) -> None:
        view = self.model.view
        if view is None:
            return
        library, run_id, at = self.joulebook.library, self._run_id, self.model.cursor_s
        interval = view.interval_s or 0.0
        reach = max(2 * interval, self.model.span_s / max(2 * self.plot.columns, 2))
        reach = min(reach, 1000 * interval) if interval else reach

        def call() -> dict[str, float]:
            samples: pa.Table = library.samples.read(run_id, view.channels, at - reach, at + reach)
            return nearest_values(samples, at)

        def done(values: dict[str, float]) -> None:
            self.model.at_cursor = values
            self.query_one("#cursor-line", LinesView).show([self.model.cursor_line()])
            self._go_on()

        def failed(error: Exception) -> None:
            self.tell_failure(error)
            self._go_on()

        self.ask_library("cursor", call, done, failed=failed)

    def _go_on(self) -> None:
        """Do what waits for the values at the cursor, whichever reading brought them."""
        then, self._after_cursor = self._after_cursor, None
        if then is not None:
            then()

    def chosen(self) -> tuple[tuple[int, ...], tuple[str, ...]]:
        """This run."""
        return (self._run_id,), ()

    def library_changed(self) -> None:
        """Facts or results may be others now."""
        self.read_run()

    # painting
    def _paint_plot(self) -> None:
        view, strips = self.model.view, self._strips
        if view is None or strips is None or not self.plot.size.width:
            return
        self.plot.show(
            strips,
            self.model.channels,
            span_s=(self.model.from_s, self.model.to_s),
            interval_s=view.interval_s,
            cursor_s=self.model.cursor_s,
            events=view.events,
            legend=self.model.legend(strips, {}),
        )
        self.query_one("#cursor-line", LinesView).show([self.model.cursor_line()])

    def _paint_below(self) -> None:
        self._rows = self.model.rows(max(self.paged_list.size.width - 3, 20))
        self.paged_list.count = len(self._rows)
        self.paged_list.repaint()
        self.query_one("#parts-line", LinesView).show([self.model.parts_line()])
        beside = self.query_one("#beside", LinesView)
        if self.has_class("-wide") and beside.size.width > 20:
            beside.show(self._beside_lines(beside.size.width - 1, beside.size.height))

    def _beside_lines(self, width: int, height: int) -> list[Line]:
        """Facts and strips at the right of a wide terminal, whichever part is chosen."""
        kept = self.model.part
        lines: list[Line] = []
        for part in ("facts", "strips"):
            if part != kept:
                self.model.part = part
                lines += [line((part, "head")), *(row.text for row in self.model.rows(width)), ()]
        self.model.part = kept
        return lines[:height]

    def _row(self, index: int, width: int) -> Line | None:
        del width
        return line(" ", *self._rows[index].text) if index < len(self._rows) else None

    def on_run_plot_resized(self) -> None:
        """Draw in the new size and ask for strips as fine as it."""
        self._paint_plot()
        self._read_strips()
        self.call_after_refresh(self._paint_below)

    def on_paged_list_row_chosen(self, message: PagedList.RowChosen) -> None:
        """A click on the chosen line acts like Enter."""
        message.stop()
        self.action_why()

    # keys
    def action_channel(self, channel: str) -> None:
        """Show or hide a channel."""
        if self.model.view is None:
            return
        if channel == "temperature_c" and channel not in self.model.view.channels:
            channel = next((c for c in self.model.view.channels if c.startswith("temperature")), channel)
        if not self.model.switch(channel):
            self.tell(f"run {self._run_id} has no {channel}", is_problem=False)
            return
        self.tell("")
        self._paint_plot()
        self._read_strips()

    def action_other_channels(self) -> None:
        """Choose among all channels."""
        view = self.model.view
        if view is None:
            return
        choices = [PickEntry(c.name, c.label, c.unit) for c in CHANNELS if c.name in view.channels]
        model = PickList(choices, list(self.model.channels), signs=self.joulebook.look.signs)

        def take(values: tuple[str, ...] | None) -> None:
            if values:
                self.model.channels = list(values)
                self._paint_plot()
                self._read_strips()

        self.app.push_screen(PickScreen("channels", model), take)

    def action_zoom(self, factor: float) -> None:
        """Show less or more time."""
        self.model.zoom(factor)
        self._moved(is_other_view=True)

    def action_whole(self) -> None:
        """Show the whole run."""
        self.model.whole()
        self._moved(is_other_view=True)

    def action_move(self, steps: int) -> None:
        """Move the cursor; ten steps are a tenth of the view."""
        columns = self.plot.columns
        cells = steps if abs(steps) == 1 else steps * columns / 100
        self._moved(is_other_view=self.model.move(cells, columns))

    def action_event(self, step: int) -> None:
        """Put the cursor on an event."""
        event = self.model.step_event(step)
        if event is None:
            self.tell("no events in this run", is_problem=False)
            return
        self._go_to_event(event.from_s)

    def _go_to_event(self, moment_s: float) -> None:
        self._moved(is_other_view=self.model.go_to(moment_s))

    def _moved(self, *, is_other_view: bool) -> None:
        self._paint_plot()
        self._read_cursor()
        if is_other_view:
            self._read_strips()

    def action_part(self, step: int) -> None:
        """Show another part below the plot."""
        self.model.turn_part(step)
        self.paged_list.move_to(0)
        self._paint_below()

    def action_down(self) -> None:
        """Next line."""
        self.paged_list.move(1)

    def action_up(self) -> None:
        """Previous line."""
        self.paged_list.move(-1)

    def action_why(self) -> None:
        """Show how a result came about; put the cursor on an event; correct a fact."""
        if not 0 <= self.paged_list.cursor < len(self._rows):
            return
        row = self._rows[self.paged_list.cursor]
        if row.result is not None:
            self.app.push_screen(WhyScreen(self._run_id, row.result.name))
        elif row.event is not None:
            self._go_to_event(row.event.from_s)
        elif row.field is not None:
            self.action_edit(row.field)

    def action_edit(self, field: str = "") -> None:
        """Correct this run's facts."""
        if self.model.view is not None:
            self.app.push_screen(EditScreen([self.model.view.facts], field))

    def action_picture(self) -> None:
        """Ask for a file and draw the channels that are shown."""
        self.picture_runs([self._run_id], list(self.model.channels))

    def action_neighbour(self, step: int) -> None:
        """Next or previous run with the current filter."""
        runs = self.joulebook.run_list
        index = runs.index_of(self._run_id)
        if index is None:
            self.tell("this run is not in the list with the current filter", is_problem=False)
            return
        target = index + step
        if not 0 <= target < runs.shown:
            self.tell("no further run with the current filter", is_problem=False)
            return
        if (found := runs.run_id(target)) is not None:
            self._open(found, target)
            return
        library, text, sort = self.joulebook.library, runs.filter_text, runs.sort

        def done(page: RunPage) -> None:
            rows = page.table.to_pylist()
            if rows:
                self._open(int(rows[0]["run_id"]), target)

        self.ask_library(
            "neighbour", lambda: library.runs.page(text, sort=sort, limit=1, offset=target, columns=("run_id",)), done
        )

    def _open(self, run_id: int, index: int) -> None:
        self.joulebook.run_list.cursor = index
        self._run_id = run_id
        self.tell("")
        self.read_run()
