"""A long list of aligned rows with a cursor, read page by page: the log book's pages.

Knows Textual; is given rows as lines with roles by whoever holds the data, and asks for those it lacks.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.geometry import Region, Size
from textual.message import Message
from textual.reactive import reactive
from textual.scroll_view import ScrollView
from textual.strip import Strip

from tui.state.lines import Line, pad_to
from tui.widgets.ascii_only import drawable

__all__ = ["PagedList"]

GUTTER = 2
"""Cells before a row, for the cursor's sign; rows bring their own blank or mark after it."""

_ROLE_CLASSES = {
    "dim": "paged-list--quiet",
    "accent": "paged-list--sky",
    "warn": "paged-list--attention",
    "head": "paged-list--head",
}


class PagedList(ScrollView, can_focus=True, inherit_bindings=False):
    """Rows of text with a cursor; only what is on screen is ever built.

    The arrow keys are the place's own: the base class would scroll a long list and leave the cursor where it is.

    Args:
        row: Gives the row of an index at a width, without the cursor's sign; None where it is not loaded yet.
        head: Gives the line above the rows at a width.
        sign: What stands before the row under the cursor.
    """

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "paged-list--head",
        "paged-list--cursor",
        "paged-list--sky",
        "paged-list--attention",
        "paged-list--quiet",
    }

    virtual_size = reactive(Size(0, 0), layout=False)
    """Another length lays the screen out anew only where the scroll bar comes or goes: see `_fit`."""
    cursor: reactive[int] = reactive(0, init=False, repaint=False)
    count: reactive[int] = reactive(0, init=False, repaint=False)

    class CursorMoved(Message):
        """The cursor stands on another row."""

        def __init__(self, paged_list: PagedList, index: int) -> None:
            super().__init__()
            self.paged_list = paged_list
            self.index = index

        @property
        def control(self) -> PagedList:
            """The list that sent it."""
            return self.paged_list

    class RowChosen(Message):
        """A row was clicked while the cursor stood on it."""

        def __init__(self, paged_list: PagedList, index: int) -> None:
            super().__init__()
            self.paged_list = paged_list
            self.index = index

        @property
        def control(self) -> PagedList:
            """The list that sent it."""
            return self.paged_list

    def __init__(
        self,
        row: Callable[[int, int], Line | None],
        head: Callable[[int], Line] | None,
        *,
        sign: str = "▌",
        id: str | None = None,  # noqa: A002 (Textual's word)
    ) -> None:
        self._role_styles: dict[tuple[str, bool], Style] = {}
        super().__init__(id=id)
        self._row = row
        self._head = head
        self._sign = sign

    @property
    def head_height(self) -> int:
        """Lines above the rows."""
        return 0 if self._head is None else 1

    @property
    def rows_on_screen(self) -> int:
        """How many rows fit."""
        return max(self.size.height - self.head_height, 0)

    @property
    def first_on_screen(self) -> int:
        """Index of the uppermost row that shows."""
        return int(self.scroll_offset.y)

    def validate_cursor(self, cursor: int) -> int:
        """Keep the cursor on a row."""
        return min(max(cursor, 0), max(self.count - 1, 0))

    def watch_count(self) -> None:
        """Fit the length; the cursor stays on a row."""
        self._fit()
        self.cursor = self.validate_cursor(self.cursor)

    def watch_cursor(self, old: int, new: int) -> None:
        """Keep the row under the cursor in view and tell who listens; only the two rows that differ are drawn anew."""
        top = self.first_on_screen
        self.scroll_to_cursor()
        if top == self.first_on_screen:
            for index in (old, new):
                self.refresh(Region(0, index - top + self.head_height, self.size.width, 1))
        else:
            self.refresh()
        self.post_message(self.CursorMoved(self, new))

    def notify_style_update(self) -> None:
        """Other colours: forget the old ones."""
        self._role_styles.clear()
        super().notify_style_update()

    def on_resize(self) -> None:
        """Fit the length to the new width."""
        self._fit()
        self.call_after_refresh(self.scroll_to_cursor)

    def _fit(self) -> None:
        self.virtual_size = Size(self.size.width, self.count + self.head_height)
        self._scroll_update(self.virtual_size)
        needs_bar = self.virtual_size.height > self.container_size.height
        self.refresh(layout=needs_bar != self.show_vertical_scrollbar)

    def scroll_to_cursor(self) -> None:
        """Bring the row under the cursor into view, at once."""
        rows = self.rows_on_screen
        if rows <= 0:
            return
        top = self.first_on_screen
        if self.cursor < top:
            top = self.cursor
        elif self.cursor >= top + rows:
            top = self.cursor - rows + 1
        top = min(top, max(self.count - rows, 0))
        if top != self.first_on_screen:
            self.scroll_to(y=top, animate=False, force=True, immediate=True)

    def turn(self, pages: int) -> None:
        """Move the cursor by screenfuls; the last row of one stays in sight."""
        self.move(pages * max(self.rows_on_screen - 1, 1))

    def move(self, rows: int) -> None:
        """Move the cursor by so many rows."""
        self.cursor += rows

    def move_to(self, index: int) -> None:
        """Put the cursor on a row."""
        self.cursor = index

    def repaint(self) -> None:
        """Show rows anew after their data changed."""
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """One line of the screen: the head, a row, or nothing."""
        width = self.scrollable_content_region.width  # what a scroll bar leaves
        if self._head is not None and y == 0:
            return self._strip(self._head(width), width, on_cursor=False)
        index = y - self.head_height + self.first_on_screen
        if not 0 <= index < self.count:
            return Strip.blank(width, self.rich_style)
        on_cursor = index == self.cursor
        row = self._row(index, width - GUTTER)
        sign = (f" {self._sign}", "accent") if on_cursor else ("  ", "")
        return self._strip((sign, *(row or ())), width, on_cursor=on_cursor)

    def _strip(self, of: Line, width: int, *, on_cursor: bool) -> Strip:
        shown = drawable(pad_to(of, width), self.app)
        return Strip([Segment(text, self._style(role, on_cursor)) for text, role in shown], width)

    def _style(self, role: str, on_cursor: bool) -> Style:
        """A role's style; worked out once, for a list has thousands of pieces."""
        found = self._role_styles.get((role, on_cursor))
        if found is None:
            found = self.rich_style
            if on_cursor:
                found += Style(bgcolor=self.get_component_rich_style("paged-list--cursor").bgcolor)
            if role in _ROLE_CLASSES:
                of_role = self.get_component_rich_style(_ROLE_CLASSES[role])
                found += Style(color=of_role.color, bold=of_role.bold)
            self._role_styles[role, on_cursor] = found
        return found

    def on_click(self, event: events.Click) -> None:
        """Put the cursor where the mouse points; a click on the cursor's row opens it."""
        index = event.y - self.head_height + self.first_on_screen
        if event.y < self.head_height or not 0 <= index < self.count:
            return
        if index == self.cursor:
            self.post_message(self.RowChosen(self, index))
        else:
            self.cursor = index

    def region_of_cursor(self) -> Region:
        """Where the row under the cursor is on screen."""
        return Region(0, self.cursor - self.first_on_screen + self.head_height, self.size.width, 1)
