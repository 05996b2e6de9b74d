"""Why: how one result came about, line by line.

Knows Textual and the library's account of a result; holds no arithmetic.
"""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import VerticalScroll

from store.model.results import Result
from tui.keys import bindings
from tui.screens.base import BaseScreen
from tui.state.why import why_lines
from tui.widgets.lines_view import LinesView, Rule

__all__ = ["WhyScreen"]


class WhyScreen(BaseScreen):
    """The account of one result."""

    PLACE: ClassVar[str] = "why"
    NAME: ClassVar[str] = "Why"
    CSS_PATH = "why.tcss"
    BINDINGS = bindings("why")

    def __init__(self, run_id: int, name: str) -> None:
        super().__init__()
        self._run_id, self._result = run_id, name
        self._account: tuple[Result, str] | None = None

    def body(self) -> ComposeResult:
        """One block of lines that scrolls."""
        yield Rule(self.joulebook.look.signs.rule)
        with VerticalScroll(id="why"):
            yield LinesView(id="why-lines")

    def on_mount(self) -> None:
        """Ask for the account."""
        self.query_one("#why").focus()
        self.top_line.tell(middle=f"{self._result}, run {self._run_id}")
        library, run_id, name = self.joulebook.library, self._run_id, self._result

        def done(found: tuple[Result, str]) -> None:
            self._account = found
            self._paint()

        self.ask_library("why", lambda: (library.why(run_id, name), library.redo_sql(run_id, name)), done)

    def _paint(self) -> None:
        if self._account is not None:
            account, sql = self._account
            width = max(self.query_one("#why").size.width - 4, 30)
            shown = why_lines(account, self._run_id, self.joulebook.look, width, sql=sql)
            self.query_one("#why-lines", LinesView).show(shown)

    def resized(self) -> None:
        """Lay the lines out anew."""
        self._paint()

    def action_down(self) -> None:
        """Further down."""
        self.query_one("#why").scroll_down(animate=False)

    def action_up(self) -> None:
        """Further up."""
        self.query_one("#why").scroll_up(animate=False)
