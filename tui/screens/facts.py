"""Facts to state once for many files.

Knows Textual; gives what was typed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, cast

from textual.app import ComposeResult
from textual.containers import Horizontal, VerticalScroll
from textual.suggester import SuggestFromList
from textual.widgets import Input, Static

from importers.schema import KINDS
from store.errors import WrongFact
from store.runs.fact_values import checked_fact
from tui.screens.form import FormScreen
from tui.state.lines import line
from tui.widgets.lines_view import KeyLine, LinesView

if TYPE_CHECKING:
    from tui.app import JoulebookApp

__all__ = ["FIELDS", "FactsScreen"]

FIELDS: dict[str, str] = {
    "device": "device",
    "port": "port",
    "mode": "mode",
    "kind": "kind",
    "load": "load",
    "ambient_c": "room °C",
    "meter": "meter",
    "note": "note",
}
"""Facts that can be stated for an import, and how they are called."""


class FactsScreen(FormScreen[dict[str, str] | None]):
    """A form; gives every field's text, or None where it was left."""

    LAST = "facts-note"

    def __init__(
        self,
        stated: Mapping[str, str],
        offered: Mapping[str, list[str]],
        *,
        title: str = "facts of all files in the list",
        first: str = "device",
    ) -> None:
        super().__init__()
        self._title, self._first = title, first
        self._stated, self._offered = dict(stated), {**offered, "kind": list(KINDS)}

    def compose(self) -> ComposeResult:
        """One row per fact."""
        signs = cast("JoulebookApp", self.app).look.signs
        with VerticalScroll(id="edit"):
            yield LinesView(id="edit-title")
            for name, words in FIELDS.items():
                with Horizontal(classes="edit-row"):
                    yield Static(signs.unit(words), classes="edit-name", markup=False)
                    choices = self._offered.get(name)
                    yield Input(
                        self._stated.get(name, ""),
                        suggester=SuggestFromList(choices, case_sensitive=False) if choices else None,
                        id=f"facts-{name}",
                        classes="plain-input",
                        select_on_focus=False,
                    )
            yield LinesView(id="edit-problem")
            yield KeyLine("edit")

    def on_mount(self) -> None:
        """Begin with the first field."""
        title = line((self._title, "place"))
        hint = line(("facts in the file are kept where this is empty", "dim"))
        self.query_one("#edit-title", LinesView).show([title, hint])
        self.query_one(f"#facts-{self._first}", Input).focus()

    def offered_here(self) -> tuple[str, tuple[str, ...]]:
        """The label of the field that is typed in, and what can be picked for it."""
        name = (self.focused.id or "").removeprefix("facts-") if self.focused is not None else ""
        return FIELDS.get(name, ""), tuple(self._offered.get(name, ()))

    def action_save(self) -> None:
        """Give what was typed, or go to the field that can't be taken and say why."""
        typed = {name: self.query_one(f"#facts-{name}", Input).value.strip() for name in FIELDS}
        for name, text in typed.items():
            try:
                if text:
                    checked_fact({"load": "load_set"}.get(name, name), text)
            except WrongFact as problem:
                self.query_one(f"#facts-{name}", Input).focus()
                self.query_one("#edit-title", LinesView).show([line((str(problem), "warn"))])
                return
        self.dismiss(typed)
