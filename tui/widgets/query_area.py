"""Where a query in SQL is typed: coloured words, completion by Tab.

Knows Textual and `models.sql_words`; no SQL of its own, no library.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rich.style import Style
from rich.text import Text
from textual import events
from textual.message import Message
from textual.widgets import TextArea

from tui.state.sql_words import begun_word, completions, is_finished, pieces_of_line

__all__ = ["QueryArea"]


class QueryArea(TextArea):
    """An editor for one query."""

    class Sent(Message):
        """Enter was pressed after a semicolon."""

    class Offered(Message):
        """How the begun word may go on."""

        def __init__(self, words: list[str]) -> None:
            super().__init__()
            self.words = words

    def __init__(self, text: str = "") -> None:
        super().__init__(text, id="query", show_line_numbers=False, tab_behavior="focus", soft_wrap=True, compact=True)
        self._views: Mapping[str, Sequence[str]] = {}
        self._known: frozenset[str] = frozenset()
        self._offered: list[str] = []

    def know(self, views: Mapping[str, Sequence[str]]) -> None:
        """Give the views and their columns."""
        self._views = views
        self._known = frozenset([*views, *(c for of in views.values() for c in of)])
        self.refresh()

    def get_line(self, line_index: int) -> Text:
        """A line with its words coloured."""
        text = super().get_line(line_index)
        variables = self.app.theme_variables
        colours = {
            "keyword": Style(bold=True),
            "known": Style(color=variables.get("sky")),
            "text": Style(color=variables.get("attention")),
            "number": Style(color=variables.get("attention")),
            "comment": Style(color=variables.get("quiet"), italic=True),
        }
        for start, end, kind in pieces_of_line(text.plain, self._known):
            text.stylize(colours[kind], start, end)
        return text

    def on_text_area_changed(self) -> None:
        """Look how the word may go on."""
        self._offer()

    def on_text_area_selection_changed(self) -> None:
        """The cursor stands elsewhere now."""
        self._offer()

    def _before_cursor(self) -> str:
        row, column = self.cursor_location
        return self.document.get_line(row)[:column]

    def _offer(self) -> None:
        lower = self.text.lower()
        used = [name for name in self._views if name in lower]
        found = completions(begun_word(self._before_cursor()), self._views, used=used)
        if found != self._offered:
            self._offered = found
            self.post_message(self.Offered(found))

    async def _on_key(self, event: events.Key) -> None:
        if event.key == "enter" and is_finished(self.text):
            event.stop()
            event.prevent_default()
            self.post_message(self.Sent())
            return
        if event.key == "tab" and self._offered:
            event.stop()
            event.prevent_default()
            self.complete(self._offered[0])
            return
        await super()._on_key(event)

    def complete(self, word: str) -> None:
        """Put a word in the place of the begun one."""
        begun = begun_word(self._before_cursor())
        row, column = self.cursor_location
        self.replace(word, (row, column - len(begun)), (row, column))
