"""Every key of the place one came from, made from the same table as the bindings.

Knows Textual and `keys`.
"""

from __future__ import annotations

import textwrap
from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.screen import ModalScreen

from tui.keys import PLACES, Key, dialog_bindings, keys_of
from tui.render.plain import fit, plain
from tui.state.lines import Line, line
from tui.widgets.lines_view import LinesView

__all__ = ["HelpScreen", "help_lines"]


def help_lines(place: str, width: int = 200, *, is_ascii: bool = False) -> list[Line]:
    """The keys of a place, then those of everywhere; sentences go on below themselves."""
    lines: list[Line] = []
    for name in dict.fromkeys((place, "everywhere")):
        lines += [line((PLACES[name], "place")), ()]
        lines += [of for key in keys_of(name) for of in _key_lines(key, width, is_ascii=is_ascii)]
        lines.append(())
    return lines


def _key_lines(key: Key, width: int, *, is_ascii: bool) -> list[Line]:
    shown, label = (fit(plain(text, ascii_only=is_ascii), cells) for text, cells in ((key.shown, 10), (key.label, 16)))
    parts = textwrap.wrap(plain(key.tooltip, ascii_only=is_ascii), max(width - 28, 20))
    first = line("  ", (shown, "key"), (label, "head"), parts[0])
    return [first, *(line(" " * 28, part) for part in parts[1:])]


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
        self.query_one("#help").focus()

    def on_resize(self) -> None:
        """Lay the sentences out in the room there is."""
        self.call_after_refresh(self._paint)

    def _paint(self) -> None:
        is_ascii = bool(getattr(getattr(self.app, "look", None), "is_ascii", False))
        width = self.query_one("#help").scrollable_content_region.width
        self.query_one("#help-lines", LinesView).show(help_lines(self._place, width, is_ascii=is_ascii))

    def action_down(self) -> None:
        """Scroll down."""
        self.query_one("#help").scroll_down(animate=False)

    def action_up(self) -> None:
        """Scroll up."""
        self.query_one("#help").scroll_up(animate=False)
