"""A listing: meters, constants, history and the like, with a cursor; Enter begins what can be done with a row.

Knows Textual and the listing's model; what it lists comes from its action.
"""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult

from tui.keys import bindings
from tui.screens.base import BaseScreen
from tui.state.actions.model import Action, Listing, Subject
from tui.state.actions.table import action_named
from tui.state.listing import ListingModel
from tui.widgets.lines_view import LinesView, RuleLine
from tui.widgets.paged_list import PagedList

__all__ = ["ListingScreen"]


class ListingScreen(BaseScreen):
    """The rows of one action."""

    PLACE: ClassVar[str] = "listing"
    NAME: ClassVar[str] = "List"
    CSS_PATH = "listing.tcss"
    BINDINGS = bindings("listing")

    def __init__(self, action: Action) -> None:
        super().__init__()
        self.of = action

    def body(self) -> ComposeResult:
        """The list, and what else there is to say of a row."""
        signs = self.joulebook.look.signs
        self.model = ListingModel(Listing("", (), (), ""), signs)
        yield RuleLine(signs.rule)
        yield PagedList(self.model.row_line, self.model.head_line, sign=signs.cursor, id="rows")
        yield RuleLine(signs.rule)
        yield LinesView(id="row-detail")

    def on_mount(self) -> None:
        """Read the rows."""
        self.paged_list.focus()
        self.library_changed()

    @property
    def paged_list(self) -> PagedList:
        """The list on screen."""
        return self.query_one("#rows", PagedList)

    def library_changed(self) -> None:
        """Read the rows anew; the cursor stays on its row."""
        library, read = self.joulebook.library, self.of.listing
        if read is not None:
            self.ask_library("rows", lambda: read(library), self._take, keeps_trying=True)

    def _take(self, listing: Listing) -> None:
        here = self.model.row(self.paged_list.cursor)
        self.model.show(listing)
        self.paged_list.count = len(listing.rows)
        self.paged_list.move_to(self.model.place_of(here.key) if here else 0)
        self.paged_list.repaint()
        self.top_line.tell(
            place=listing.title,
            middle=f"{len(listing.rows):,}{f', enter: {listing.hint}' if listing.hint and listing.rows else ''}",
        )
        if not listing.rows:
            self.tell(listing.nothing, is_problem=False)
        self._paint_detail()

    def _paint_detail(self) -> None:
        width = max(self.size.width, 40)
        self.query_one("#row-detail", LinesView).show(self.model.detail_lines(self.paged_list.cursor, width))

    def resized(self) -> None:
        """Wrap the sentences anew."""
        self._paint_detail()

    def on_paged_list_cursor_moved(self, message: PagedList.CursorMoved) -> None:
        """Follow the cursor."""
        message.stop()
        self._paint_detail()

    def on_paged_list_row_chosen(self, message: PagedList.RowChosen) -> None:
        """A click on the row under the cursor opens it."""
        message.stop()
        self.action_open()

    def action_open(self) -> None:
        """Begin what can be done with the row."""
        row = self.model.row(self.paged_list.cursor)
        if row is None:
            return
        if row.opens == "open-run":
            from tui.screens.run import RunScreen  # noqa: PLC0415 (loaded when first opened)

            self.app.push_screen(RunScreen(int(row.key)))
        elif row.opens:
            self.joulebook.carry_out(action_named(row.opens), Subject(key=row.key))
        else:
            self.tell("nothing can be done with this row from here", is_problem=False)

    def action_add(self) -> None:
        """Add a row."""
        if self.model.listing.adds:
            self.joulebook.carry_out(action_named(self.model.listing.adds), Subject())
        else:
            self.tell("nothing can be added to this list", is_problem=False)

    def action_down(self) -> None:
        """Next row."""
        self.paged_list.move(1)

    def action_up(self) -> None:
        """Row before."""
        self.paged_list.move(-1)

    def action_page_down(self) -> None:
        """A page on."""
        self.paged_list.turn(1)

    def action_page_up(self) -> None:
        """A page back."""
        self.paged_list.turn(-1)

    def action_first(self) -> None:
        """First row."""
        self.paged_list.move_to(0)

    def action_last(self) -> None:
        """Last row."""
        self.paged_list.move_to(len(self.model.listing.rows) - 1)
