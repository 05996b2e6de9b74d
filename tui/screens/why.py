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

    def __init__(self, run_id: int, name: str) -> None:
        super().__init__()
        self._run_id, self._result = run_id, name

    def library_changed(self) -> None:
        """Ask for the account."""
        self.top_line.tell(middle=f"{self._result}, run {self._run_id}")
        library, run_id, name = self.joulebook.library, self._run_id, self._result

        def read() -> Document:
            return why_document(library.results.why(run_id, name), run_id, library.results.redo_sql(run_id, name))

        self.ask_library("why", read, self.show_document)
