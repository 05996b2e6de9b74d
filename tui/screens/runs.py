"""Runs: the list under a filter, with a glance at the run under the cursor.

Knows Textual, the list's model and the library's calls; holds no arithmetic and no SQL.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.app import ComposeResult
from textual.containers import Container, Horizontal
from textual.widgets import Input, Static

from store.errors import FilterError
from tui.keys import bindings
from tui.screens.base import BaseScreen
from tui.state.filter_words import word_names
from tui.state.run_list import PAGE, Page, RunList, page_of
from tui.widgets.filter_line import FilterInput
from tui.widgets.glance_pane import GlancePane
from tui.widgets.lines_view import RuleLine
from tui.widgets.paged_list import PagedList

if TYPE_CHECKING:
    from store.model.records import RunFacts

__all__ = ["RunsScreen"]

COMPLETED_FIELDS = ("port", "mode", "device", "kind", "meter")
FEWEST_TO_COMPARE = 2
AHEAD = PAGE // 2
"""Rows off screen that are read before the cursor comes to them."""


class RunsScreen(BaseScreen):
    """The list of runs."""

    PLACE: ClassVar[str] = "runs"
    NAME: ClassVar[str] = "Runs"
    AUTO_FOCUS: ClassVar[str | None] = "#runs"
    """Never the filter: a key that comes before the first page must not be typed into it."""
    HORIZONTAL_BREAKPOINTS: list[tuple[int, str]] | None = [(0, "-narrow"), (132, "-wide")]  # noqa: RUF012
    """From here on the usual columns fit beside the glance."""
    BINDINGS = bindings("runs")

    def body(self) -> ComposeResult:
        """Filter line, list, glance."""
        signs = self.joulebook.look.signs
        with Horizontal(id="filter-row"):
            yield Static(" filter  ", id="filter-name", markup=False)
            yield FilterInput(self.list.filter_text)
        yield RuleLine(signs.rule)
        with Container(id="list-and-glance"):
            yield PagedList(self.list.row_line, self.list.head_line, sign=signs.cursor, id="runs")
            yield RuleLine(signs.rule, id="glance-rule")
            yield GlancePane()

    async def draw_anew(self) -> None:
        """Make every part again: signs are drawn otherwise from now on."""
        await self.recompose()
        self.on_mount()

    def on_mount(self) -> None:
        """Read the first page."""
        self._is_told_of_list = False
        """Whether the status line speaks of the list: what it says of anything else stays until the cursor moves."""
        self._has_completions = False
        self._ordered: tuple[object, ...] = ()
        self.paged_list.focus()
        if self.list.total:  # from last time and still true, or drawn otherwise now: seen first, then read anew
            self._paint_rows()
        if not self.joulebook.is_late:
            self.read_list(stays=True)

    # parts
    @property
    def list(self) -> RunList:
        """The list's state, shared with the page of one run."""
        return self.joulebook.run_list

    @property
    def paged_list(self) -> PagedList:
        """The list on screen."""
        return self.query_one("#runs", PagedList)

    @property
    def filter_input(self) -> FilterInput:
        """The filter line."""
        return self.query_one(FilterInput)

    @property
    def glance(self) -> GlancePane:
        """The run under the cursor."""
        return self.query_one(GlancePane)

    # reading
    def read_list(self, *, stays: bool) -> None:
        """Ask for the list anew; the cursor stays on its run where that is still near, else it goes to the first."""
        offset, limit = self.list.window() if stays else (0, PAGE)

        def done(page: Page) -> None:
            self.list.replace(page, offset, keep_run=self.list.run_id() if stays else None)
            self.filter_input.mark_right()
            if self._is_told_of_list and self.list.shown:
                self._is_told_of_list = False
                self.tell("")
            self._paint_list()
            self.joulebook.list_was_read()
            self.joulebook.when_open(self.read_glance)

        self.ask_library("list", self._reading(offset, limit), done, failed=self.list_refused, keeps_trying=True)

    def _reading(self, offset: int, limit: int) -> Callable[[], Page]:
        """A call that reads rows of the list as it is filtered and ordered now."""
        library, text, sort, columns = self.joulebook.library, self.list.filter_text, self.list.sort, self.list.wanted()
        return lambda: page_of(library.runs.page(text, sort=sort, limit=limit, offset=offset, columns=columns))

    def list_refused(self, error: Exception) -> None:
        """The list stays; a wrong word is shown where it is wrong."""
        self._is_told_of_list = True
        if isinstance(error, FilterError):
            self.filter_input.mark_wrong(error.position, error.word)
            if error.suggestion:
                self.tell(f"unknown filter {error.word}. Did you mean {error.suggestion}?")
                return
        self.tell_failure(error)

    def _paint_rows(self) -> None:
        self.paged_list.count = self.list.shown
        self.paged_list.move_to(self.list.cursor)
        self.paged_list.repaint()
        self.top_line.tell(middle=self.list.count_text())

    def _paint_list(self) -> None:
        self._paint_rows()
        if not self.list.shown:
            self.glance.look_at(None)
            self._is_told_of_list = True
            self.tell(self._nothing_text(), is_problem=False)

    def _nothing_text(self) -> str:
        if self.list.total:
            return "no run fits the filter; esc clears it"
        return "no runs yet: i imports a meter's export"

    def _read_missing(self) -> None:
        """Ask for the pages on screen that are not loaded, and for the next ones before they are come to."""
        first, rows = self.paged_list.first_on_screen, self.paged_list.rows_on_screen
        missing = self.list.missing_pages(first - AHEAD, first + rows + AHEAD)
        text, sort, columns = self.list.filter_text, self.list.sort, self.list.wanted()
        order = (text, sort, columns, *missing)
        if not missing or (order == self._ordered and self.joulebook.jobs.is_waiting("runs.pages")):
            return  # asked for already: asking again would make the answer void that is on its way
        self._ordered = order
        offset, limit = missing[0] * PAGE, (missing[-1] + 1 - missing[0]) * PAGE

        def done(page: Page) -> None:
            if (text, sort, columns) == (self.list.filter_text, self.list.sort, self.list.wanted()):
                self.list.add(page, offset)
                self.paged_list.count = self.list.shown
                self.paged_list.repaint()
                self.read_glance()

        self.ask_library("pages", self._reading(offset, limit), done, keeps_trying=True)

    def read_glance(self) -> None:
        """Look at the run under the cursor."""
        run_id = self.list.run_id()
        if run_id is not None and not self.joulebook.is_late:  # once the list is read the library is open
            self.glance.look_at(run_id)

    def _read_completions(self) -> None:
        """Ask for the values that exist, when the filter line is first gone to."""
        if self._has_completions:
            return
        self._has_completions = True
        library = self.joulebook.library

        def call() -> dict[str, list[str]]:
            word_names()  # loaded off the event loop, before the first letter asks for them
            return {field: [f.value for f in library.runs.facets(field, "")] for field in COMPLETED_FIELDS}

        self.ask_library(
            "completions", call, lambda values: self.filter_input.offer(values, self.joulebook.settings.filters)
        )

    def library_changed(self) -> None:
        """Show what is true now; the cursor stays on its run."""
        self.glance.forget()
        self._has_completions = False
        self.read_list(stays=True)
        if self.filter_input.has_focus:
            self._read_completions()

    # what Textual tells
    def on_descendant_focus(self, message: events.DescendantFocus) -> None:
        """Learn what can be completed once the filter line is gone to."""
        if message.widget is self.filter_input:
            self._read_completions()

    def on_screen_resume(self) -> None:
        """Come back from another place: the cursor may have moved on there."""
        self._paint_list()
        self.read_glance()

    def on_paged_list_cursor_moved(self, message: PagedList.CursorMoved) -> None:
        """Follow the cursor."""
        message.stop()
        if message.index != self.list.cursor and not self._is_told_of_list:
            self.tell("")
        self.list.cursor = message.index
        self._read_missing()
        self.read_glance()

    def on_paged_list_row_chosen(self, message: PagedList.RowChosen) -> None:
        """A click on the run under the cursor opens it."""
        message.stop()
        self.action_open()

    def on_input_changed(self, message: Input.Changed) -> None:
        """Filter as one types."""
        message.stop()
        if message.value != self.list.filter_text:
            self.list.filter_text = message.value
            self.read_list(stays=False)

    def on_input_submitted(self, message: Input.Submitted) -> None:
        """Enter leaves the filter line for the list."""
        message.stop()
        self._leave_filter()

    def resized(self) -> None:
        """Draw the glance in its new size."""
        self.glance.paint()

    def _leave_filter(self) -> None:
        self.joulebook.settings.remember_filter(self.list.filter_text)
        self.set_focus(self.paged_list)

    # keys
    def back(self) -> None:
        """Leave the filter line, then clear the filter."""
        if self.filter_input.has_focus:
            self._leave_filter()
        elif self.list.filter_text:
            self.joulebook.settings.remember_filter(self.list.filter_text)
            self.filter_input.put("")

    def action_filter(self) -> None:
        """Go to the filter line."""
        self.set_focus(self.filter_input)

    def action_down(self) -> None:
        """Next run; out of the filter line into the list."""
        if self.filter_input.has_focus:
            self._leave_filter()
        else:
            self.paged_list.move(1)

    def action_up(self) -> None:
        """Run before."""
        self.paged_list.move(-1)

    def action_page_down(self) -> None:
        """A page on."""
        self.paged_list.turn(1)

    def action_page_up(self) -> None:
        """A page back."""
        self.paged_list.turn(-1)

    def action_first(self) -> None:
        """First run."""
        self.paged_list.move_to(0)

    def action_last(self) -> None:
        """Last run."""
        self.paged_list.move_to(self.list.shown - 1)

    def action_open(self) -> None:
        """Open the run under the cursor."""
        run_id = self.list.run_id()
        if run_id is not None:
            from tui.screens.run import RunScreen  # noqa: PLC0415 (loaded when first opened: the list is up sooner)

            self.app.push_screen(RunScreen(run_id, self.glance.known(run_id)))

    def action_pick(self, field: str) -> None:
        """Pick among the values that occur with the current filter."""
        from tui.screens.runs_choices import pick_values  # noqa: PLC0415 (loaded when first opened)

        pick_values(self, field)

    def action_mark(self) -> None:
        """Mark or unmark, and go on."""
        run_id = self.list.run_id()
        if run_id is None:
            return
        self.list.toggle_mark(run_id)
        self.top_line.tell(middle=self.list.count_text())
        self.paged_list.move(1)
        self.paged_list.repaint()

    def action_clear_marks(self) -> None:
        """Clear all marks."""
        self.list.marks.clear()
        self._paint_list()

    def action_compare(self) -> None:
        """Overlay the marked runs."""
        runs = list(self.list.marks)
        if len(runs) < FEWEST_TO_COMPARE:
            self.tell("mark two runs or more with space, then c overlays them")
            return
        from tui.screens.compare import CompareScreen  # noqa: PLC0415 (loaded when first opened)

        self.app.push_screen(CompareScreen(runs))

    def action_sort(self) -> None:
        """Choose the column of the order."""
        from tui.screens.runs_choices import choose_order  # noqa: PLC0415 (loaded when first opened)

        choose_order(self)

    def action_turn_order(self) -> None:
        """Turn the order round."""
        self.list.turn_order()
        self.read_list(stays=False)

    def action_columns(self) -> None:
        """Choose columns and their order."""
        from tui.screens.runs_choices import choose_columns  # noqa: PLC0415 (loaded when first opened)

        choose_columns(self)

    def chosen(self) -> tuple[tuple[int, ...], tuple[str, ...]]:
        """The marked runs, or the one under the cursor."""
        return tuple(self.list.subjects()), ()

    def action_edit(self) -> None:
        """Correct facts."""
        runs = self.list.subjects()
        if not runs:
            return
        library = self.joulebook.library
        self.joulebook.hold_keys_for_screen()

        def done(facts: list[RunFacts]) -> None:
            from tui.screens.edit import EditScreen  # noqa: PLC0415 (loaded when first opened)

            self.app.push_screen(EditScreen(facts))

        self.ask_library("edit", lambda: [library.runs.get(r).facts for r in runs], done)

    def action_go(self, place: str) -> None:
        """Go to another place."""
        self.joulebook.action_go(place)
