"""Cells as text: digits that the uncertainty supports, every text from a file made harmless. Knows words only."""

from __future__ import annotations

from store.publish.content import Cell, Column
from tui.render.format import reading
from tui.render.plain import plain

__all__ = ["cell_text", "head_text", "safe"]


def safe(text: str) -> str:
    """Text in which control characters and marks of direction are shown, not obeyed."""
    return " ".join(plain(line) for line in str(text).splitlines())


def cell_text(cell: Cell, column: Column) -> str:
    """What stands in a cell: words, or a number with ± U (k = 2) and its own unit, if any."""
    if cell.value is None:
        return safe(cell.text)
    value = cell.value * column.scale
    u = None if cell.uncertainty is None else cell.uncertainty * column.scale
    if not u and value == round(value) and abs(value) < 1e6:
        return f"{value:,.0f} {cell.unit}".strip()
    return reading(value, u, cell.unit).replace(" ± ", "\u00a0±\u00a0")


def head_text(column: Column) -> str:
    """A column's head with its unit: `runtime / h`."""
    return f"{safe(column.head)} / {column.unit}" if column.unit else safe(column.head)
