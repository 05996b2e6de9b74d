"""Which one for a need: gates, what is left with scores and ranks, and the answer in words.

Knows Textual and the answer's text; holds no arithmetic.
"""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from store import Library
from store.choose import Ranking, read_scheme
from store.choose.rating import answer_text
from store.documents.choice import choice_document
from store.errors import WrongFact
from tui.keys import bindings
from tui.screens.document import DocumentScreen
from tui.screens.prompt import PromptScreen

__all__ = ["ChooseScreen"]


def read_text(path: Path) -> str:
    """A need or a scheme as text.

    Raises:
        WrongFact: The file can't be read.
    """
    try:
        return path.expanduser().read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise WrongFact(
            f"{path} can't be read: {getattr(error, 'strerror', None) or 'it is not UTF-8 text'}."
        ) from error


def answer_file(library: Library, need: Path, scheme: Path | None) -> Ranking:
    """Answer the need in a file, by the scheme in another; by the one that ships where None.

    Raises:
        WrongFact: A file can't be read.
        NeedRefused: It is no need, or no scheme; with every mistake.
    """
    chosen = read_scheme(read_text(scheme), source=scheme.name) if scheme is not None else None
    return answer_text(library, read_text(need), scheme=chosen, source=need.name)


class ChooseScreen(DocumentScreen):
    """The answer to a need."""

    PLACE: ClassVar[str] = "choose"
    NAME: ClassVar[str] = "Choose"
    BINDINGS = bindings("choose")

    def __init__(self, need: Path | None = None) -> None:
        super().__init__()
        self._need = need
        self._scheme: Path | None = None
        self._choice: Ranking | None = None

    def on_mount(self) -> None:
        """Answer, or ask for the need first."""
        self.query_one("#document").focus()
        if self._need is None:
            self.action_need()
        else:
            self.library_changed()

    def library_changed(self) -> None:
        """Answer anew."""
        library, need, scheme = self.joulebook.library, self._need, self._scheme
        if need is not None:
            self.top_line.tell(place=need.name)
            self.ask_library("answer", lambda: answer_file(library, need, scheme), self._take)

    def _take(self, choice: Ranking) -> None:
        self._choice = choice
        self.tell("")
        self.show_document(choice_document(choice))

    def action_publish(self) -> None:
        """Ask for a folder and write the answer there as a page."""
        if self._choice is not None:
            self.ask_choice_folder(self._choice)

    def action_need(self) -> None:
        """Ask for another need."""

        def take(typed: str | None) -> None:
            if typed:
                self._need = Path(typed)
                self.library_changed()
            elif self._need is None:
                self.tell("`joulebook choose --template > need.toml` writes a need to begin with", is_problem=False)

        title = "the need, a TOML file"
        self.app.push_screen(PromptScreen(title, str(self._need or "need.toml"), paths=self.joulebook.jobs), take)

    def action_scheme(self) -> None:
        """Ask for a scoring scheme."""

        def take(typed: str | None) -> None:
            if typed:
                self._scheme = Path(typed)
                self.library_changed()

        title = "the scheme, a TOML file; `joulebook rate --print` writes one to begin with"
        self.app.push_screen(PromptScreen(title, str(self._scheme or "scheme.toml"), paths=self.joulebook.jobs), take)
