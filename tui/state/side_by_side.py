"""Devices side by side on screen: the text that the command line prints, as lines with roles.

Knows finished comparisons and printed text; no Textual, no arithmetic.
"""

from __future__ import annotations

from store.devices.records import ComparisonPage
from tui.render.comparison import comparison_lines
from tui.render.plain import plain
from tui.state.lines import Line, line
from tui.state.look import Look

__all__ = ["orders_of", "side_lines"]

_TITLES = ("tested at", "ranks", "pairs by", "claims", "samples of one model", "notes")


def side_lines(page: ComparisonPage, look: Look, width: int) -> list[Line]:
    """The whole comparison; its titles in grey."""
    lines: list[Line] = []
    for index, text in enumerate(comparison_lines(page, signs=look.signs, width=width)):
        shown = plain(text, ascii_only=look.is_ascii)
        is_head = index in (0, 2) or text.startswith(_TITLES)
        lines.append(line((shown, "head" if is_head else "")) if shown else ())
    return lines


def orders_of(page: ComparisonPage) -> list[tuple[str, str]]:
    """Quantities that can order the devices: name and label of each row with two values or more."""
    return [(row.name, row.label) for row in page.rows if sum(figure.value is not None for figure in row.figures) > 1]
