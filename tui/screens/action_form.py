"""What an action asks before it is done. What is refused is said at its field, and nothing that was typed is lost.

Knows Textual and the form; the work runs apart.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, cast

from textual.app import ComposeResult
from textual.containers import Horizontal, VerticalScroll
from textual.suggester import Suggester, SuggestFromList
from textual.widgets import Input, Static

from tui.render.plain import plain
from tui.screens.form import FormScreen
from tui.screens.prompt import PathSuggester
from tui.state.actions.model import Form, Report, Unfit
from tui.state.lines import line
from tui.state.sheet_draft import Field
from tui.widgets.lines_view import KeyLine, LinesView

if TYPE_CHECKING:
    from tui.app import JoulebookApp

__all__ = ["ActionFormScreen"]

Try = Callable[[dict[str, str], Report, Callable[[Exception], None]], None]
"""Called with the texts, a report of progress, and what takes a refusal; it dismisses the form when it is done."""


class ActionFormScreen(FormScreen[None]):
    """The fields of an action."""

    def __init__(self, form: Form, attempt: Try) -> None:
        super().__init__()
        self.form, self._attempt = form, attempt
        self.LAST = f"field-{form.fields[-1].key}"
        self._is_at_work = False

    @property
    def _look(self) -> JoulebookApp:
        return cast("JoulebookApp", self.app)

    def compose(self) -> ComposeResult:
        """One row per field."""
        look = self._look.look
        with VerticalScroll(id="edit"):
            yield LinesView(id="edit-title")
            for of in self.form.fields:
                with Horizontal(classes="edit-row"):
                    yield Static(look.signs.unit(of.label), classes="edit-name", markup=False)
                    yield Input(
                        self.form.texts.get(of.key, ""),
                        placeholder=plain(of.hint, ascii_only=look.is_ascii),
                        suggester=self._suggester(of),
                        id=f"field-{of.key}",
                        classes="plain-input",
                        select_on_focus=False,
                    )
            yield LinesView(id="edit-problem")
            yield KeyLine("edit")

    def _suggester(self, of: Field) -> Suggester | None:
        if of.sort == "path":
            return PathSuggester(self._look.jobs)
        return SuggestFromList(of.offered, case_sensitive=False) if of.offered else None

    def on_mount(self) -> None:
        """Begin with the first field that is empty, or the one that was named."""
        self.query_one("#edit-title", LinesView).show([line((self.form.title, "place"))])
        empty = next((of.key for of in self.form.fields if not self.form.texts.get(of.key)), self.form.fields[0].key)
        self.query_one(f"#field-{self.form.first or empty}", Input).focus()

    def offered_here(self) -> tuple[str, tuple[str, ...]]:
        """The label of the field that is typed in, and what can be picked for it."""
        here = self.focused.id if self.focused is not None else None
        found = next((of for of in self.form.fields if f"field-{of.key}" == here), None)
        return (found.label, found.offered) if found is not None else ("", ())

    def action_save(self) -> None:
        """Try it with what was typed."""
        if self._is_at_work:
            return
        self._is_at_work = True
        self.say("at work")
        texts = {of.key: self.query_one(f"#field-{of.key}", Input).value for of in self.form.fields}
        self._attempt(texts, self._report, self._refused)

    def _report(self, done: int, total: int) -> None:
        """Called from the thread that works."""
        if total:
            self.app.call_later(self._paint_progress, done, total)

    def _paint_progress(self, done: int, total: int) -> None:
        if self.is_attached and self._is_at_work:
            self.say(f"{min(done / total, 1):.0%}")

    def _refused(self, error: Exception) -> None:
        self._is_at_work = False
        if not self.is_attached:
            return
        is_expected = self._look.is_expected(error)
        self.say(self._look.sentence_of(error, is_expected=is_expected))
        if isinstance(error, Unfit):
            for field in self.query(f"#field-{error.field}").results(Input):
                field.focus()
