"""The fields of one thing on a sheet: its facts, a port, a mark, a claim.

Knows Textual and the fields; gives what was typed, right or wrong: the page says what is wrong with it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, cast

from textual.app import ComposeResult
from textual.containers import Horizontal, VerticalScroll
from textual.suggester import SuggestFromList
from textual.widgets import Input, Static

from tui.render.plain import plain
from tui.screens.form import FormScreen
from tui.state.lines import line
from tui.state.sheet_draft import Field
from tui.widgets.lines_view import KeyLine, LinesView

if TYPE_CHECKING:
    from tui.app import JoulebookApp

__all__ = ["FieldsScreen"]

Check = Callable[[dict[str, str]], Mapping[str, str]]


class FieldsScreen(FormScreen[dict[str, str] | None]):
    """A form of named texts.

    Args:
        title: What it is about.
        fields: The fields, in order.
        texts: What stands in them.
        first: The field to begin with.
        check: Gives complaints by field; a text that is complained of is taken when it is saved a second time.
    """

    def __init__(
        self, title: str, fields: tuple[Field, ...], texts: Mapping[str, str], first: str, check: Check
    ) -> None:
        super().__init__()
        self._title, self._fields, self._before, self._first, self._check = title, fields, texts, first, check
        self.LAST = f"field-{fields[-1].key}"
        self._complained: dict[str, str] | None = None

    def compose(self) -> ComposeResult:
        """One row per field."""
        look = cast("JoulebookApp", self.app).look
        with VerticalScroll(id="edit"):
            yield LinesView(id="edit-title")
            for of in self._fields:
                with Horizontal(classes="edit-row"):
                    yield Static(look.signs.unit(of.label), classes="edit-name", markup=False)
                    yield Input(
                        self._before.get(of.key, ""),
                        placeholder=plain(of.hint, ascii_only=look.is_ascii),
                        suggester=SuggestFromList(of.offered, case_sensitive=False) if of.offered else None,
                        id=f"field-{of.key}",
                        classes="plain-input",
                        select_on_focus=False,
                    )
            yield LinesView(id="edit-problem")
            yield KeyLine("edit")

    def on_mount(self) -> None:
        """Begin with the field that was asked for."""
        self.query_one("#edit-title", LinesView).show([line((self._title, "place"))])
        self.query_one(f"#field-{self._first}", Input).focus()

    def offered_here(self) -> tuple[str, tuple[str, ...]]:
        """The label of the field that is typed in, and what can be picked for it."""
        here = self.focused.id if self.focused is not None else None
        found = next((of for of in self._fields if f"field-{of.key}" == here), None)
        return (found.label, found.offered) if found is not None else ("", ())

    def action_save(self) -> None:
        """Give what was typed; what is wrong is said first, at its field."""
        texts = {of.key: self.query_one(f"#field-{of.key}", Input).value for of in self._fields}
        wrong = self._check(texts)
        if wrong and texts != self._complained:
            self._complained = texts
            key = next(iter(wrong))
            self.say(f"{wrong[key]} Save again to keep it as it is.")
            self.query_one(f"#field-{key}", Input).focus()
            return
        self.dismiss(texts)
