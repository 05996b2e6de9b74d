"""The filter line: always visible, completes words and values that exist, shows a wrong word where it is wrong.

Knows Textual and `models.filter_words`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar

from rich.highlighter import Highlighter
from rich.text import Text
from textual.binding import Binding, BindingType
from textual.geometry import Size
from textual.reactive import Reactive
from textual.suggester import Suggester
from textual.widgets import Input

from tui.state.filter_words import completion

__all__ = ["FilterInput"]


class _WrongWord(Highlighter):
    """Underlines the word that the library did not understand."""

    def __init__(self) -> None:
        self.at: tuple[int, int] | None = None

    def highlight(self, text: Text) -> None:
        if self.at is not None:
            text.stylize("underline bold #E69F00", *self.at)


class _Words(Suggester):
    """Offers the rest of a word."""

    def __init__(self) -> None:
        super().__init__(use_cache=False, case_sensitive=True)
        self.values: Mapping[str, Sequence[str]] = {}

    async def get_suggestion(self, value: str) -> str | None:
        return completion(value, self.values)


class FilterInput(Input):
    """One line of filter words."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "older", show=False),
        Binding("tab", "complete", show=False),
    ]
    virtual_size = Reactive(Size(0, 0), layout=False)
    """The line is as wide as its place whatever stands in it: no layout of the screen with each letter."""

    def __init__(self, value: str = "") -> None:
        self._wrong = _WrongWord()
        self._words = _Words()
        self._older: tuple[str, ...] = ()
        self._back = 0
        super().__init__(
            value,
            placeholder="words: port:C1 mode:20V kind:discharge wh>50 since:2026-01 -word",
            id="filter",
            classes="plain-input",
            highlighter=self._wrong,
            suggester=self._words,
            select_on_focus=False,
        )

    def offer(self, values: Mapping[str, Sequence[str]], older: tuple[str, ...]) -> None:
        """Give values to complete and filters used before."""
        self._words.values = values
        self._older = older

    def mark_wrong(self, position: int, word: str) -> None:
        """Underline a wrong word."""
        self._wrong.at = (position, position + len(word))
        self.refresh()

    def mark_right(self) -> None:
        """Take the underline away."""
        if self._wrong.at is not None:
            self._wrong.at = None
            self.refresh()

    def put(self, text: str) -> None:
        """Set the text; the cursor goes to its end."""
        self.value = text
        self.cursor_position = len(text)

    def action_older(self) -> None:
        """The filter used before this one."""
        if self._older:
            self._back = self._back % len(self._older) + 1
            self.put(self._older[-self._back])

    def action_complete(self) -> None:
        """Take the offered rest of the word."""
        if self._suggestion:
            self.put(self._suggestion)
