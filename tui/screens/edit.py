"""Correcting facts of one run or of several, over the place one came from.

Knows Textual, the edit model and the library's calls.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

from textual.app import ComposeResult
from textual.containers import Horizontal, VerticalScroll
from textual.suggester import SuggestFromList
from textual.widgets import Input, Static

from importers.schema import DIRECTIONS, KINDS
from store.errors import StoreError
from store.model.records import RunFacts
from tui.screens.form import FormScreen
from tui.state.edits import EDITABLE, WrongEntryError, changed, common_text, undo_of
from tui.state.lines import line
from tui.state.words import FACTS
from tui.widgets.lines_view import KeyLine, LinesView

if TYPE_CHECKING:
    from store import Library
    from tui.app import JoulebookApp

__all__ = ["EditScreen"]

_OFFERED: dict[str, tuple[str, ...]] = {
    "kind": KINDS,
    "direction": DIRECTIONS,
    "quality": ("ok", "suspect", "rejected"),
    "measured_at": ("port", "cable end"),
}


_IN_USE = ("device", "port", "mode", "meter")
"""Facts whose values are picked among those in the library."""


def values_of(library: Library, fact: str) -> tuple[str, ...]:
    """Values that a fact has in the library: of runs, of sheets, of the list of meters."""
    used = [found.value for found in library.runs.facets(fact, "")]
    if fact == "device":
        used += [row.device for row in library.devices.all()]
    elif fact == "meter":
        used += [meter.name for meter in library.meters.all()]
    return tuple(dict.fromkeys(used))


class EditScreen(FormScreen[bool | None]):
    """A form of facts; only what is typed anew is changed."""

    LAST = "edit-reason"

    def __init__(self, facts: Sequence[RunFacts], field: str = "") -> None:
        super().__init__()
        self._facts = list(facts)
        self._first = field if field in EDITABLE else EDITABLE[0]
        self._before: dict[str, str] = {}

    @property
    def _joulebook(self) -> JoulebookApp:
        return cast("JoulebookApp", self.app)

    def compose(self) -> ComposeResult:
        """One row per fact, the reason last."""
        zone, signs = self._joulebook.zone, self._joulebook.look.signs
        self._before = {name: common_text(self._facts, name, zone) for name in EDITABLE}
        with VerticalScroll(id="edit"):
            yield LinesView(id="edit-title")
            for name in (*EDITABLE, "reason"):
                with Horizontal(classes="edit-row"):
                    words = "because" if name == "reason" else signs.unit(FACTS[name])
                    yield Static(words, classes="edit-name", markup=False)
                    yield Input(
                        self._before.get(name, ""),
                        placeholder="why, for the record" if name == "reason" else "",
                        suggester=SuggestFromList(_OFFERED[name], case_sensitive=False) if name in _OFFERED else None,
                        id=f"edit-{name}",
                        classes="plain-input",
                        select_on_focus=False,
                    )
            yield LinesView(id="edit-problem")
            yield KeyLine("edit")

    def on_mount(self) -> None:
        """Begin with the field that was asked for."""
        runs = f"run {self._facts[0].run_id}" if len(self._facts) == 1 else f"{len(self._facts)} runs"
        hint = line(("Old values are kept; clear a field to remove the fact", "dim"))
        self.query_one("#edit-title", LinesView).show([line((f"facts of {runs}", "place")), hint])
        self.query_one(f"#edit-{self._first}", Input).focus()

    def action_pick_value(self) -> None:
        """Pick a value: the fact's few words, or those that stand in the library."""
        name = (self.focused.id or "").removeprefix("edit-") if self.focused is not None else ""
        label, field, library = FACTS.get(name, name), self.focused, self._joulebook.library
        if name in _OFFERED or name not in _IN_USE:
            self.pick_from(label, _OFFERED.get(name, ()))
            return

        def done(found: tuple[str, ...]) -> None:
            if self.is_attached and self.focused is field:
                self.pick_from(label, found)

        def failed(error: Exception) -> None:
            if self.is_attached:
                self.say(self._joulebook.sentence_of(error, is_expected=self._joulebook.is_expected(error)))

        def call() -> tuple[str, ...]:
            return values_of(library, name)

        self._joulebook.jobs.ask("edit.values", call, done=done, failed=failed)

    def action_save(self) -> None:
        """Save what was typed anew."""
        after = {name: self.query_one(f"#edit-{name}", Input).value for name in EDITABLE}
        reason = self.query_one("#edit-reason", Input).value.strip()
        try:
            changes = changed(self._before, after, self._joulebook.zone)
        except WrongEntryError as wrong:
            self.say(str(wrong))
            return
        if not changes:
            self.dismiss(False)
            return
        if changes.get("quality", "ok") != "ok" and not reason:
            self.say("quality: give a reason, in the last field.")
            self.query_one("#edit-reason", Input).focus()
            return
        library = self._joulebook.library
        runs = [of.run_id for of in self._facts]

        def done(_: object) -> None:
            self._joulebook.undo_steps.append(undo_of(self._facts, changes))
            self._joulebook.facts_changed()
            if self.is_attached:
                self.dismiss(True)

        def failed(error: Exception) -> None:
            if self.is_attached:
                self.say(self._joulebook.sentence_of(error, is_expected=isinstance(error, StoreError)))

        self._joulebook.jobs.ask(
            "change", lambda: library.runs.edit(runs, changes, reason=reason), done=done, failed=failed, must_run=True
        )
