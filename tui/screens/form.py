"""What forms of facts share: going from field to field, and taking them all from the last one.

Knows Textual only.
"""

from __future__ import annotations

from typing import ClassVar, TypeVar

from textual.screen import ModalScreen
from textual.widgets import Input

from tui.keys import dialog_bindings
from tui.render.plain import plain
from tui.state.lines import line
from tui.widgets.lines_view import LinesView

__all__ = ["FormScreen"]

T = TypeVar("T")


class FormScreen(ModalScreen[T]):
    """Fields one below the other; the keys of the place `edit`."""

    PLACE: ClassVar[str] = "edit"
    CSS_PATH = "edit.tcss"
    BINDINGS = dialog_bindings("edit")
    LAST: str = ""
    """Id of the last field: Enter there takes them all."""

    def on_mount(self) -> None:
        """Remember what stood there, so that leaving never loses what was typed without a word."""
        self._began = self._texts()
        self._was_told = False

    def _texts(self) -> list[str]:
        return [field.value for field in self.query(Input)]

    def back(self) -> None:
        """Leave; where something was typed, only at the second time."""
        if self._texts() == self._began or self._was_told:
            self.dismiss(None)
            return
        self._was_told = True
        self.say("not saved: esc again discards it, ^s saves")

    def say(self, text: str) -> None:
        """Say something below the fields."""
        shown = plain(text, ascii_only=bool(getattr(getattr(self.app, "look", None), "is_ascii", False)))
        self.query_one("#edit-problem", LinesView).show([line((shown, "warn"))])

    def action_enter(self) -> None:
        """Enter goes on to the next field; from the last one it takes them."""
        if self.focused is not None and self.focused.id == self.LAST:
            self.action_save()
        else:
            self.action_next_field()

    def action_next_field(self) -> None:
        """Next field."""
        self.focus_next(Input)

    def action_previous_field(self) -> None:
        """Previous field."""
        self.focus_previous(Input)

    def action_save(self) -> None:
        """Take what was typed."""
        raise NotImplementedError
