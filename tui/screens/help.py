"""Every key of the place one came from, made from the same table as the bindings.

Knows Textual and `keys`.
"""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.screen import ModalScreen

from tui.keys import PLACES, Key, dialog_bindings, keys_of
from tui.models.lines import Line, line
from tui.plain import fit
from tui.widgets.lines_view import LinesView

__all__ = ["HelpScreen", "help_lines"]


def help_lines(place: str) -> list[Line]:
    """The keys of a place, then those of everywhere."""
    lines: list[Line] = []
    for name in dict.fromkeys((place, "everywhere")):
        lines += [line((PLACES[name], "place")), ()]
        lines += [_key_line(key) for key in keys_of(name)]
        lines.append(())
    return lines


def _key_line(key: Key) -> Line:
    return line("  ", (fit(key.shown, 10), "key"), (fit(key.label, 18), "head"), key.tooltip)


class HelpScreen(ModalScreen[None]):
    """The keys that work in a place."""

    PLACE: ClassVar[str] = "help"
    CSS_PATH = "help.tcss"
    BINDINGS = dialog_bindings("why")

    def __init__(self, place: str) -> None:
        super().__init__()
        self._place = place if place in PLACES else "everywhere"

    def compose(self) -> ComposeResult:
        """One block of lines that scrolls."""
        with VerticalScroll(id="help"):
            yield LinesView(id="help-lines")

    def on_mount(self) -> None:
        """Fill it."""
        self.query_one("#help-lines", LinesView).show(help_lines(self._place))
        self.query_one("#help").focus()

    def action_down(self) -> None:
        """Further down."""
        self.query_one("#help").scroll_down(animate=False)

    def action_up(self) -> None:
        """Further up."""
        self.query_one("#help").scroll_up(animate=False)
