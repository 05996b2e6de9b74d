"""Lines of text with roles: what screens paint, before any colour.

Knows text only: no Textual. A role says what a piece is (`dim`, `accent`, `warn`, `head`); the widgets turn it into a
style, so that a model never names a colour.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from tui.render.plain import cut, fit, width_of

__all__ = [
    "Line",
    "Span",
    "line",
    "line_width",
    "pad_to",
    "pairs_in_columns",
    "sides",
    "text_of",
    "three_parts",
]

Span = tuple[str, str]
"""Text and role; the role `` is plain text."""

Line = tuple[Span, ...]


def line(*parts: str | Span) -> Line:
    """A line from plain strings and (text, role) pairs; empty pieces are left out."""
    return tuple((part, "") if isinstance(part, str) else part for part in parts if part not in ("", ("", "")))


def text_of(of: Line) -> str:
    """The bare text of a line."""
    return "".join(text for text, _ in of)


def line_width(of: Line) -> int:
    """Cells that a line takes."""
    return width_of(text_of(of))


def pad_to(of: Line, width: int) -> Line:
    """A line cut or padded to exactly `width` cells."""
    room, kept = width, []
    for text, role in of:
        shown = cut(text, room)
        if shown:
            kept.append((shown, role))
        room -= width_of(shown)
        if room <= 0:
            return tuple(kept)
    return (*kept, (" " * room, "")) if room > 0 else tuple(kept)


def sides(left: Line, right: Line, width: int) -> Line:
    """Two lines side by side, the right one flush right; the left one is cut where both don't fit."""
    room = width - line_width(right)
    return (*pad_to(left, max(room, 0)), *right)


def three_parts(left: str, middle: str, right: str, width: int) -> Line:
    """The line at the top: where one is, how much is shown, which library."""
    inner = max(width - 2, 0)
    right = cut(right, max(inner - width_of(left) - 2, 0))
    room = inner - width_of(left) - width_of(right) - 2
    middle = cut(middle, max(room, 0))
    start = max((inner - width_of(middle)) // 2, width_of(left) + 1)
    start = min(start, max(inner - width_of(right) - 1 - width_of(middle), width_of(left) + 1))
    gap = inner - start - width_of(middle) - width_of(right)
    return line(
        " ",
        (left, "place"),
        " " * (start - width_of(left)),
        (middle, ""),
        " " * max(gap, 0),
        (right, "dim"),
        " ",
    )


def pairs_in_columns(
    pairs: Sequence[tuple[str, Line]], width: int, *, columns: int = 1, name_width: int | None = None
) -> list[Line]:
    """Names with their values, set in one or more columns, filled row by row from the top of each column.

    Args:
        pairs: Name and value.
        width: Cells to fill.
        columns: How many pairs stand side by side.
        name_width: Cells for names; the longest name's where None.
    """
    if not pairs:
        return []
    names = name_width or min(max(width_of(name) for name, _ in pairs), max(width // columns // 2, 8))
    cell = width // columns
    rows = -(-len(pairs) // columns)
    lines: list[Line] = []
    for row in range(rows):
        parts: list[Span] = []
        for column in range(columns):
            index = column * rows + row
            if index < len(pairs):
                name, value = pairs[index]
                parts.extend(pad_to(((fit(name, names), "dim"), ("  ", ""), *value), cell))
        lines.append(tuple(parts))
    return lines


def joined(parts: Iterable[str], gap: str = "  ") -> str:
    """Parts that are not empty, with a gap between."""
    return gap.join(part for part in parts if part)
