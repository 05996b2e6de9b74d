"""What an action found or would do, as a page; Enter carries out what is shown.

Knows Textual and documents.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from store.model.document import Document
from tui.keys import bindings
from tui.screens.document import DocumentScreen

__all__ = ["ActionPageScreen"]


class ActionPageScreen(DocumentScreen):
    """A page of an action."""

    PLACE: ClassVar[str] = "page"
    NAME: ClassVar[str] = "Page"
    BINDINGS = bindings("page")

    def __init__(self, document: Document, told: str = "", *, goes_on: Callable[[], None] | None = None) -> None:
        super().__init__()
        self._shown, self._told, self._goes_on = document, told, goes_on

    def on_mount(self) -> None:
        """Show the page; it is as of the moment when it was made."""
        self.query_one("#document").focus()
        self.top_line.tell(place=self._shown.title)
        self.show_document(self._shown)
        if self._told:
            self.tell(self._told, is_problem=self._goes_on is not None)

    def action_go_on(self) -> None:
        """Carry out what is shown, once."""
        if self._goes_on is None:
            self.tell("nothing is left to do here; esc goes back", is_problem=False)
            return
        go_on, self._goes_on = self._goes_on, None
        self.joulebook.leave_place()
        go_on()

    def action_page_down(self) -> None:
        """One screen down."""
        self.query_one("#document").scroll_page_down(animate=False)

    def action_page_up(self) -> None:
        """One screen up."""
        self.query_one("#document").scroll_page_up(animate=False)
