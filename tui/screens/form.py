"""What forms of facts share: going from field to field, and taking them all from the last one.

Knows Textual only.
"""

from __future__ import annotations

from typing import ClassVar, TypeVar

from textual.screen import ModalScreen
from textual.widgets import Input

from tui.keys import dialog_bindings

__all__ = ["FormScreen"]

T = TypeVar("T")


class FormScreen(ModalScreen[T]):
    """Fields one below the other; the keys of the place `edit`."""

    PLACE: ClassVar[str] = "edit"
    CSS_PATH = "edit.tcss"
    BINDINGS = dialog_bindings("edit")
    LAST: ClassVar[str] = ""
    """Id of the last field: Enter there takes them all."""

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
        """Field before."""
        self.focus_previous(Input)

    def action_save(self) -> None:
        """Take what was typed."""
        raise NotImplementedError
