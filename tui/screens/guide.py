"""Guide: the pages that ship with the program, one at a time.

Knows Textual and the pages; asks the library nothing.
"""

from __future__ import annotations

from typing import ClassVar

from tui.keys import bindings
from tui.screens.document import DocumentScreen
from tui.screens.pick import PickScreen
from tui.state.guide import guide_document, guide_pages, page_for
from tui.state.pick_list import PickEntry, PickList

__all__ = ["GuideScreen"]


class GuideScreen(DocumentScreen):
    """The guide, opened at the page about a place."""

    PLACE: ClassVar[str] = "guide"
    NAME: ClassVar[str] = "Guide"
    BINDINGS = bindings("guide")

    def __init__(self, about: str = "") -> None:
        super().__init__()
        self.page = page_for(about)

    def library_changed(self) -> None:
        """Show the page; nothing here comes from the library."""
        if self.document is None:
            self._turn_to(self.page)

    def _turn_to(self, page: int) -> None:
        pages = guide_pages()
        self.page = page % len(pages)
        self.top_line.tell(middle=f"{pages[self.page].title}, page {self.page + 1} of {len(pages)}")
        self.show_document(guide_document(pages[self.page]))
        self.query_one("#document").scroll_home(animate=False)

    def action_turn(self, by: int) -> None:
        """Another page."""
        self._turn_to(self.page + by)

    def action_choose(self) -> None:
        """Choose a page by its title."""
        choices = [PickEntry(str(i), found.title, found.name) for i, found in enumerate(guide_pages())]
        model = PickList(choices, is_many=False, signs=self.joulebook.look.signs)

        def take(values: tuple[str, ...] | None) -> None:
            if values:
                self._turn_to(int(values[0]))

        self.app.push_screen(PickScreen("pages", model), take)

    def action_page_down(self) -> None:
        """One screen down."""
        self.query_one("#document").scroll_page_down(animate=False)

    def action_page_up(self) -> None:
        """One screen up."""
        self.query_one("#document").scroll_page_up(animate=False)
