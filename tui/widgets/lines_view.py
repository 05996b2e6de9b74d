"""Lines with roles on screen, and the lines at top and bottom of every place.

Knows Textual and `models.lines`; text is never read as markup.
"""

from __future__ import annotations

from collections.abc import Sequence

from textual.content import Content
from textual.widgets import Static

from tui.keys import bar_keys
from tui.render.plain import plain
from tui.state.lines import Line, line, line_width, three_parts
from tui.widgets.ascii_only import drawable

__all__ = ["STYLES", "KeyLine", "LinesView", "RuleLine", "StatusLine", "TopLine", "as_content"]

STYLES: dict[str, str] = {
    "": "",
    "dim": "$quiet",
    "accent": "$sky",
    "warn": "$attention",
    "head": "bold",
    "place": "bold $sky",
    "rule": "$rule",
    "cursor": "on $chosen",
    "cursor-sign": "$sky on $chosen",
    "key": "bold $sky",
}
"""What roles look like."""


def _style_of(role: str) -> str:
    """A role's style; `colour:#rrggbb` names the colour itself."""
    return role[7:] if role.startswith("colour:") else STYLES[role]


def as_content(lines: Sequence[Line]) -> Content:
    """Lines as styled text; roles become styles, text stays literal."""
    parts: list[Content | tuple[str, str] | str] = []
    for index, of in enumerate(lines):
        if index:
            parts.append("\n")
        parts.extend((text, _style_of(role)) if role else text for text, role in of)
    return Content.assemble(*parts)


class LinesView(Static):
    """A block of lines with roles."""

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:  # noqa: A002 (Textual's word)
        super().__init__("", id=id, classes=classes, markup=False)
        self.lines: list[Line] = []

    def show(self, lines: Sequence[Line]) -> None:
        """Put other lines on screen."""
        shown = [drawable(of, self.app) for of in lines]
        if shown == self.lines:
            return
        self.lines = shown
        self.update(as_content(self.lines), layout=self.styles.auto_dimensions)  # a layout of the screen takes 10 ms


class RuleLine(Static):
    """A thin line across."""

    def __init__(self, sign: str = "─", *, id: str | None = None) -> None:  # noqa: A002 (Textual's word)
        super().__init__("", id=id, classes="rule", markup=False)
        self._sign = sign

    def on_resize(self) -> None:
        """Fill the width."""
        self.update(Content(self._sign * self.size.width))


class TopLine(LinesView):
    """Where one is, how much is shown, which library."""

    def __init__(self, place: str, library: str) -> None:
        super().__init__(id="top-line")
        self._parts = (place, "", library)

    def tell(self, place: str | None = None, middle: str | None = None) -> None:
        """Change what it says."""
        old = self._parts
        self._parts = (old[0] if place is None else place, old[1] if middle is None else middle, old[2])
        self._paint()

    def on_resize(self) -> None:
        """Set the parts anew."""
        self._paint()

    def _paint(self) -> None:
        if self.size.width:
            self.show([three_parts(*self._parts, self.size.width)])


class KeyLine(LinesView):
    """The keys that work here, as many as fit."""

    def __init__(self, place: str) -> None:
        super().__init__(id="key-line")
        self._place = place

    def on_resize(self) -> None:
        """Choose anew what fits."""
        self._paint()

    def _paint(self) -> None:
        width = self.size.width
        if not width:
            return
        is_ascii = bool(getattr(getattr(self.app, "look", None), "is_ascii", False))
        chosen = bar_keys(self._place)
        last = [key for key in chosen if key.place == "everywhere"]
        shown: list[Line] = []
        room = width - 1 - sum(line_width(_piece(key.shown, key.label, is_ascii=is_ascii)) for key in last)
        for key in chosen:
            if key in last:
                continue
            piece = _piece(key.shown, key.label, is_ascii=is_ascii)
            if line_width(piece) > room:
                break
            room -= line_width(piece)
            shown.append(piece)
        shown += [_piece(key.shown, key.label, is_ascii=is_ascii) for key in last]
        self.show([line(" ", *(span for piece in shown for span in piece))])


def _piece(sign: str, label: str, *, is_ascii: bool) -> Line:
    return line((plain(sign, ascii_only=is_ascii), "key"), f" {plain(label, ascii_only=is_ascii)}  ")


class StatusLine(LinesView):
    """What went wrong or was done, in one line; away when there is nothing to say."""

    def __init__(self) -> None:
        super().__init__(id="status-line")

    def tell(self, text: str, *, is_problem: bool = True) -> None:
        """Say something, or nothing with an empty text."""
        self.set_class(bool(text), "-shown")
        self.show([line(" ", (text, "warn" if is_problem else "accent"))] if text else [])
