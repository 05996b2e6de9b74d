"""Aligned text tables for pipes and terminals.

Knows text only: no library, no Textual. Every cell is made harmless here.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from tui.render.format import align_on_point
from tui.render.plain import cut, fit, plain, width_of

__all__ = ["Head", "facts_block", "hanging", "tabbed", "table", "table_or_blocks", "titled", "wrapped"]

GAP = "  "


@dataclass(frozen=True, slots=True)
class Head:
    """A column's head and how its cells stand."""

    head: str
    is_number: bool = False
    """Right, on the decimal point."""
    may_shrink: bool = False
    """Cut first where the line is wider than the terminal."""
    wraps: bool = False
    """Gives way too, but goes on below instead of being cut: for sentences."""


def table(
    columns: Sequence[Head], rows: Iterable[Sequence[object]], *, width: int | None = None, ellipsis: str = "…"
) -> list[str]:
    """Lines of an aligned table, head first; a row takes more than one line only where a column wraps.

    Args:
        columns: What stands over the columns and how their cells stand.
        rows: A cell per column; None is empty.
        width: Cells that a line may take; None for as much as it needs (a pipe).
        ellipsis: Marks a cut cell.
    """
    cells = [[plain(cell) for cell in row] for row in rows]
    texts: list[list[str]] = []
    for index, column in enumerate(columns):
        body = [row[index] for row in cells]
        texts.append([column.head, *(align_on_point(body) if column.is_number else body)])
    widths = [max(map(width_of, column)) for column in texts]
    _shrink(columns, widths, width)
    lines = []
    for line in range(len(cells) + 1):
        pieces = [_pieces(texts[i][line], widths[i], column) for i, column in enumerate(columns)]
        for k in range(max(map(len, pieces), default=0)):
            shown = (
                fit(pieces[i][k] if k < len(pieces[i]) else "", widths[i], right=column.is_number, ellipsis=ellipsis)
                for i, column in enumerate(columns)
            )
            lines.append(GAP.join(shown).rstrip())
    return lines


def _pieces(text: str, width: int, column: Head) -> list[str]:
    if not column.wraps or width_of(text) <= width:
        return [text]
    return textwrap.wrap(text, max(width, 1)) or [""]


def _shrink(columns: Sequence[Head], widths: list[int], width: int | None) -> None:
    """Take cells from the columns that may shrink, the widest first, until a line fits."""
    shrinkable = [i for i, column in enumerate(columns) if column.may_shrink or column.wraps]
    while width is not None and shrinkable and sum(widths) + len(GAP) * (len(widths) - 1) > width:
        widest = max(shrinkable, key=lambda i: widths[i])
        if widths[widest] <= 8:
            return
        widths[widest] -= 1


def table_or_blocks(
    columns: Sequence[Head],
    rows: Sequence[Sequence[object]],
    *,
    titles: int,
    width: int | None = None,
    ellipsis: str = "…",
    indent: str = "  ",
) -> list[str]:
    """A table where it fits the width, else a block per row: its first cells as a title, the others named below it.

    Args:
        columns: As in `table`.
        rows: As in `table`.
        titles: How many of the first cells make a block's title.
        width: Cells that a line may take, the indent among them; None for as much as it needs.
        ellipsis: Marks a cut cell.
        indent: Before each line.
    """
    room = None if width is None else width - len(indent)
    lines = table(columns, rows, width=room, ellipsis=ellipsis) if rows else []
    if room is not None and max(map(width_of, lines), default=0) > room:
        lines = []
        for row in rows:
            lines.append(plain(GAP.join(str(cell) for cell in row[:titles] if cell not in (None, ""))))
            named = zip((c.head for c in columns[titles:]), row[titles:], strict=True)
            lines += facts_block(named, width=room, is_wrapped=True)
    return [(indent + line).rstrip() for line in lines]


def tabbed(columns: Sequence[Head], rows: Iterable[Sequence[object]]) -> list[str]:
    """The same table with one tab between cells and no padding: one record per line for other programs."""
    return ["\t".join(c.head for c in columns), *("\t".join(plain(cell) for cell in row) for row in rows)]


def facts_block(
    pairs: Iterable[tuple[str, object]], *, indent: str = "  ", width: int | None = None, is_wrapped: bool = False
) -> list[str]:
    """Names and values under each other, values starting in one column; pairs without a value are left out.

    Args:
        pairs: Names and values.
        indent: Before each line.
        width: Cells of a line; None for as many as needed.
        is_wrapped: Go on below where a value is longer than the line, and never cut it.
    """
    shown = [(name, plain(value)) for name, value in pairs if value is not None and value != ""]
    widest = max((len(name) for name, _ in shown), default=0)
    if is_wrapped and width is not None:
        return [line for name, value in shown for line in hanging(f"{indent}{name.ljust(widest)}{GAP}", value, width)]
    lines = [f"{indent}{name.ljust(widest)}{GAP}{value}" for name, value in shown]
    return lines if width is None else [cut(line, width) for line in lines]


def hanging(head: str, text: str, width: int, *, least: int = 20) -> list[str]:
    """A text after its head, going on below the first word where the line is full; words are never cut."""
    room = max(width - len(head), least)
    lines = [""]
    for word in text.split(" "):
        if lines[-1] and width_of(lines[-1]) + 1 + width_of(word) > room:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}" if lines[-1] else word
    return [head + lines[0], *(" " * len(head) + line for line in lines[1:])]


def wrapped(head: str, text: str, width: int | None) -> list[str]:
    """A text after its head, as `hanging`; on one line where the width is None."""
    return [head + text] if width is None else hanging(head, text, width)


def titled(title: str, lines: list[str]) -> Iterator[str]:
    """An empty line, a title and lines; nothing where there are none."""
    if lines:
        yield ""
        yield title
        yield from lines
