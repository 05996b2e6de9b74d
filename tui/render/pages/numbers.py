"""Cells as text: every text from a file made harmless. Knows documents and words only."""

from __future__ import annotations

from collections.abc import Sequence

from store.model.document import Cell, Table
from tui.render.plain import plain
from tui.render.units import unit_in_head

__all__ = ["cell_text", "heads_of", "safe", "safe_lines", "units_of"]


def safe(text: str) -> str:
    """Text in which control characters and marks of direction are shown, not obeyed."""
    return " ".join(plain(line) for line in str(text).splitlines())


def safe_lines(text: str) -> str:
    """As `safe`, line by line: a statement keeps its lines."""
    return "\n".join(plain(line) for line in text.split("\n"))


def cell_text(cell: Cell, *, with_unit: bool = True) -> str:
    """What stands in a cell, on one line: a figure with its ± keeps together."""
    return safe(cell.shown(with_unit=with_unit)).replace(" ± ", "\u00a0±\u00a0")


def units_of(table: Table) -> list[str]:
    """The unit that each column shares, or an empty text."""
    return [unit_in_head([row[index] for row in table.rows]) for index in range(len(table.columns))]


def heads_of(table: Table, units: Sequence[str]) -> list[str]:
    """Heads with the units that whole columns share: `delivered energy, Wh`."""
    return [
        safe(f"{column.head}, {unit}" if unit and column.head else unit or column.head)
        for column, unit in zip(table.columns, units, strict=True)
    ]
