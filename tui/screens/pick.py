"""A pick list over the place it belongs to: ports, modes, columns, questions, answers.

Knows Textual and `models.pick_list`.
"""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.screen import ModalScreen

from tui.keys import dialog_bindings
from tui.state.lines import line
from tui.state.pick_list import PickList
from tui.widgets.lines_view import KeyLine, LinesView
from tui.widgets.paged_list import PagedList

__all__ = ["PickScreen"]


class PickScreen(ModalScreen[tuple[str, ...] | None]):
    """Choose from a list; gives the chosen values, or None where it was left."""

    PLACE: ClassVar[str] = "pick"
    CSS_PATH = "pick.tcss"
    BINDINGS = dialog_bindings("pick")

    def __init__(self, title: str, model: PickList) -> None:
        super().__init__()
        self._title = title
        self.model = model

    def compose(self) -> ComposeResult:
        """Title with what was typed, the list, its keys."""
        with Vertical(id="pick"):
            yield LinesView(id="pick-title")
            yield PagedList(self.model.row_line, None, sign=self.model.signs.cursor, id="pick-list")
            yield KeyLine("pick")

    def on_mount(self) -> None:
        """Show the list; the cursor stands on what is picked already."""
        first = next((i for i, c in enumerate(self.model.visible) if c.value in self.model.picked), 0)
        self._paint()
        self._list.focus()
        self._list.move_to(first)
        longest = max((len(c.label) + len(c.detail) for c in self.model.choices), default=0)
        self.query_one("#pick").styles.width = min(max(longest + 14, 44), 100)
        self.query_one("#pick").styles.height = min(len(self.model.choices) + 4, 20)

    @property
    def _list(self) -> PagedList:
        return self.query_one("#pick-list", PagedList)

    def _paint(self) -> None:
        typed = self.model.needle
        hint = (f"  with {typed}", "accent") if typed else ("  type to narrow", "dim")
        self.query_one("#pick-title", LinesView).show([line((self._title, "place"), hint)])
        self._list.count = len(self.model.visible)
        self._list.move_to(self.model.cursor)
        self._list.repaint()

    def on_paged_list_cursor_moved(self, message: PagedList.CursorMoved) -> None:
        """Keep the model where the cursor is."""
        message.stop()
        self.model.move_to(message.index)

    def on_paged_list_row_chosen(self, message: PagedList.RowChosen) -> None:
        """A second click takes the line, or picks it where several may be."""
        message.stop()
        if self.model.is_many:
            self.action_pick_here()
        else:
            self.action_take()

    def on_key(self, event: events.Key) -> None:
        """Typing narrows the list."""
        if event.is_printable and event.character and event.character != " ":
            self.model.type(event.character)
            event.stop()
            event.prevent_default()
            self._paint()

    def action_rub_out(self) -> None:
        """Delete the last typed letter."""
        self.model.rub_out()
        self._paint()

    def action_pick_here(self) -> None:
        """Pick or unpick the line under the cursor."""
        self.model.toggle()
        self._paint()

    def action_take(self) -> None:
        """Give back what is picked."""
        self.dismiss(self.model.taken())

    def action_none(self) -> None:
        """Unpick everything and give that back."""
        self.dismiss(())

    def action_down(self) -> None:
        """Next line."""
        self._list.move(1)

    def action_up(self) -> None:
        """Previous line."""
        self._list.move(-1)

    def action_shift(self, step: int) -> None:
        """Move the line."""
        self.model.shift(step)
        self._paint()
