"""One document on screen: whatever page it is, it scrolls, follows the width and is read anew when the library changes.

A place of its own subclasses it and says what to read. Knows Textual and documents; holds no arithmetic.
"""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import VerticalScroll

from store.model.document import Document
from tui.render.terminal import document_lines
from tui.screens.publishing import PublishingScreen
from tui.widgets.lines_view import LinesView, RuleLine

__all__ = ["DocumentScreen"]


class DocumentScreen(PublishingScreen):
    """A place that shows a document."""

    CSS_PATH = "document.tcss"

    def __init__(self) -> None:
        super().__init__()
        self.document: Document | None = None

    def body(self) -> ComposeResult:
        """One block of lines that scrolls."""
        yield RuleLine(self.joulebook.look.signs.rule)
        with VerticalScroll(id="document"):
            yield LinesView(id="document-lines")

    def on_mount(self) -> None:
        """Read the page."""
        self.query_one("#document").focus()
        self.library_changed()

    def show_document(self, document: Document) -> None:
        """Put a page on screen."""
        self.document = document
        self._paint()

    def _paint(self) -> None:
        if self.document is not None:
            width = max(self.query_one("#document").size.width - 3, 40)
            lines = document_lines(self.document, signs=self.joulebook.look.signs, width=width)
            self.query_one("#document-lines", LinesView).show(lines)

    def resized(self) -> None:
        """Lay the lines out anew."""
        self._paint()

    def action_down(self) -> None:
        """Scroll down."""
        self.query_one("#document").scroll_down(animate=False)

    def action_up(self) -> None:
        """Scroll up."""
        self.query_one("#document").scroll_up(animate=False)
