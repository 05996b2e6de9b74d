"""Why: how one result came about.

Knows Textual and the library's account of a result; holds no arithmetic.
"""

from __future__ import annotations

from typing import ClassVar

from store.documents.why import why_document
from store.model.document import Document
from tui.keys import bindings
from tui.screens.document import DocumentScreen

__all__ = ["WhyScreen"]


class WhyScreen(DocumentScreen):
    """The account of one result."""

    PLACE: ClassVar[str] = "why"
    NAME: ClassVar[str] = "Why"
    BINDINGS = bindings("why")

    def __init__(self, of: int | str, name: str) -> None:
        """Show the account of a run's result, or of a figure of a device, by its inventory code."""
        super().__init__()
        self._of, self._result = of, name

    def library_changed(self) -> None:
        """Ask for the account."""
        library, of, name = self.joulebook.library, self._of, self._result
        self.top_line.tell(middle=f"{name}, {of if isinstance(of, str) else f'run {of}'}")

        def read() -> Document:
            if isinstance(of, int):
                return why_document(library.results.why(of, name), of, library.results.redo_sql(of, name))
            documents = [why_document(found.result, of, sql) for found, sql in library.devices.why(of, name)]
            blocks = tuple(block for document in documents for block in document.blocks)
            return Document(documents[0].title, blocks)

        self.ask_library("why", read, self.show_document)
