"""Which one for a need: gates, what is left with scores and ranks, and the answer in words.

Knows Textual and the answer's text; holds no arithmetic.
"""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import VerticalScroll

from store import Library
from store.choose import Choice, read_need
from store.choose.rating import answer, shipped_scheme
from store.errors import WrongFact
from tui.keys import bindings
from tui.models.lines import line
from tui.printing_choice import choice_lines
from tui.screens.place import Place
from tui.screens.prompt import PromptScreen
from tui.widgets.lines_view import LinesView, Rule

__all__ = ["ChooseScreen"]


def answer_file(library: Library, path: Path) -> Choice:
    """Answer the need in a file by the scheme that ships.

    Raises:
        WrongFact: The file can't be read.
        NeedRefused: It is no need; with every mistake.
    """
    try:
        text = path.expanduser().read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise WrongFact(
            f"{path} can't be read: {getattr(error, 'strerror', None) or 'it is not UTF-8 text'}."
        ) from error
    scheme = shipped_scheme()
    return answer(library, read_need(text, scheme=scheme if f'"{scheme.kind}"' in text or "kind" not in text else None))


class ChooseScreen(Place):
    """The answer to a need."""

    PLACE: ClassVar[str] = "choose"
    NAME: ClassVar[str] = "Choose"
    CSS_PATH = "choose.tcss"
    BINDINGS = bindings("choose")

    def __init__(self, need: Path | None = None) -> None:
        super().__init__()
        self._need = need
        self._choice: Choice | None = None

    def body(self) -> ComposeResult:
        """One block of lines that scrolls."""
        yield Rule(self.joulebook.look.signs.rule)
        with VerticalScroll(id="choice"):
            yield LinesView(id="choice-lines")

    def on_mount(self) -> None:
        """Answer, or ask for the need first."""
        self.query_one("#choice").focus()
        if self._need is None:
            self.action_need()
        else:
            self.library_changed()

    def library_changed(self) -> None:
        """Answer anew."""
        library, need = self.joulebook.library, self._need
        if need is not None:
            self.top_line.tell(place=need.name)
            self.ask_library("answer", lambda: answer_file(library, need), self._take)

    def _take(self, choice: Choice) -> None:
        self._choice = choice
        self.tell("")
        self._paint()

    def _paint(self) -> None:
        if self._choice is None:
            return
        width = max(self.query_one("#choice").size.width - 3, 40)
        texts = choice_lines(self._choice, self.joulebook.look.signs, width)
        shown = [line((text, "head") if index == 1 else text) for index, text in enumerate(texts)]
        self.query_one("#choice-lines", LinesView).show(shown)

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

    def action_down(self) -> None:
        """Further down."""
        self.query_one("#choice").scroll_down(animate=False)

    def action_up(self) -> None:
        """Further up."""
        self.query_one("#choice").scroll_up(animate=False)
