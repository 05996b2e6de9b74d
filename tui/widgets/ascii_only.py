"""Signs for a terminal without Unicode, where they come from elsewhere than the models.

Knows Textual's scroll bars and the app's look.
"""

from __future__ import annotations

from typing import Any, ClassVar

from textual.scrollbar import ScrollBar, ScrollBarRender

from tui.state.lines import Line

__all__ = ["draw_scrollbars", "drawable"]

CUT = "~"
"""Stands for the sign of a text that was cut: one cell, like it."""


class _AsciiBars(ScrollBarRender):
    """Scroll bars made of colour only, without parts of a block."""

    VERTICAL_BARS: ClassVar[list[str]] = [" "] * 8
    HORIZONTAL_BARS: ClassVar[list[str]] = [" "] * 8


def draw_scrollbars(*, is_ascii: bool) -> None:
    """Choose what all scroll bars of the program are drawn with."""
    ScrollBar.renderer = _AsciiBars if is_ascii else ScrollBarRender


def drawable(of: Line, app: Any) -> Line:
    """A line as this app's terminal can draw it."""
    look = getattr(app, "look", None)
    if look is None or not look.is_ascii:
        return of
    return tuple((text.replace("…", CUT), role) for text, role in of)
