"""One line to type: a name, a path.

Knows Textual.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.suggester import Suggester
from textual.widgets import Input
from textual.widgets.input import Selection

from tui.jobs import Jobs
from tui.keys import dialog_bindings
from tui.state.lines import line
from tui.widgets.lines_view import LinesView

__all__ = ["PathSuggester", "PromptScreen"]


class PathSuggester(Suggester):
    """Completes the path of a file or folder; one folder is looked at per key."""

    def __init__(self, jobs: Jobs) -> None:
        super().__init__(use_cache=False, case_sensitive=True)
        self._jobs = jobs

    async def get_suggestion(self, value: str) -> str | None:
        """The first entry that begins as typed."""
        if not value:
            return None
        return await self._jobs.answer("paths", lambda: first_entry(value), None)


def first_entry(typed: str) -> str | None:
    """The first entry of a folder that goes on from a typed path; None where there is none."""
    cut = max(typed.rfind(sign) for sign in (os.sep, os.altsep or os.sep)) + 1
    head, tail = typed[:cut], typed[cut:]
    folder = Path(head or ".").expanduser()
    try:
        names = sorted(e.name + (os.sep if e.is_dir() else "") for e in folder.iterdir() if e.name.startswith(tail))
    except OSError:
        return None
    names = [n for n in names if tail or not n.startswith(".")]
    return f"{head}{names[0]}" if names and names[0] != tail else None


class _PromptInput(Input):
    BINDINGS: ClassVar[list[BindingType]] = [Binding("tab", "complete", show=False)]

    def action_complete(self) -> None:
        """Take what is offered."""
        if self._suggestion:
            self.value = self._suggestion
            self.cursor_position = len(self.value)


class PromptScreen(ModalScreen[str | None]):
    """Ask for one line of text; gives it, or None where it was left."""

    PLACE: ClassVar[str] = "prompt"
    CSS_PATH = "prompt.tcss"
    BINDINGS = dialog_bindings("prompt")

    def __init__(self, title: str, value: str = "", *, paths: Jobs | None = None) -> None:
        super().__init__()
        self._title, self._value, self._paths = title, value, paths

    def compose(self) -> ComposeResult:
        """Title and field."""
        with Vertical(id="prompt"):
            yield LinesView(id="prompt-title")
            yield _PromptInput(
                self._value,
                suggester=PathSuggester(self._paths) if self._paths else None,
                classes="plain-input",
                id="prompt-field",
                select_on_focus=False,
            )

    def on_mount(self) -> None:
        """Begin typing."""
        hint = "  tab completes, enter takes it, esc leaves" if self._paths else "  enter takes it, esc leaves"
        for title in self.query("#prompt-title").results(LinesView):  # none on a screen that is taken down already
            title.show([line((self._title, "place"), (hint, "dim"))])
        field = self.query_one("#prompt-field", Input)
        field.focus()
        field.selection = Selection(0, len(self._value))  # typing takes the place of what is proposed

    def on_input_submitted(self, message: Input.Submitted) -> None:
        """Give what was typed."""
        message.stop()
        self.dismiss(message.value.strip() or None)
