"""What forms of facts share: going from field to field, and taking them all from the last one.

Knows Textual only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, ClassVar, TypeVar, cast

from textual.screen import ModalScreen
from textual.widgets import Input

from tui.keys import dialog_bindings
from tui.render.plain import plain
from tui.state.lines import line
from tui.state.pick_list import PickEntry, PickList
from tui.widgets.lines_view import LinesView

if TYPE_CHECKING:
    from tui.app import JoulebookApp

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
        told = self.query_one("#edit-problem", LinesView)
        told.show([line((shown, "warn"))])
        self.call_after_refresh(told.scroll_visible, animate=False)  # in a small window it may lie below the others

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

    def offered_here(self) -> tuple[str, tuple[str, ...]]:
        """The label of the field that is typed in, and what can be picked for it."""
        return "", ()

    def action_pick_value(self) -> None:
        """Pick a value for the field that is typed in."""
        label, offered = self.offered_here()
        self.pick_from(label, offered)

    def pick_from(self, label: str, offered: Sequence[str]) -> None:
        """Put one of the values into the field that is typed in."""
        from tui.screens.pick import PickScreen  # noqa: PLC0415 (loaded when first asked for)

        field = self.focused
        if not isinstance(field, Input):
            return
        if not offered:
            self.say("no values to pick for this field; type one")
            return
        signs = cast("JoulebookApp", self.app).look.signs
        model = PickList([PickEntry(value, value) for value in offered], is_many=False, signs=signs)

        def take(values: tuple[str, ...] | None) -> None:
            if values:
                field.value = values[0]
                field.cursor_position = len(field.value)

        self.app.push_screen(PickScreen(label, model), take)

    def action_save(self) -> None:
        """Take what was typed."""
        raise NotImplementedError
