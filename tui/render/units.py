"""Which unit a whole column shares, so that it stands in the head once: the same in every renderer.

Knows documents only.
"""

from __future__ import annotations

from collections.abc import Sequence

from store.model.document import Cell
from store.model.spec import Shown
from store.words.numbers import shown_in

__all__ = ["unit_in_head"]


def unit_in_head(cells: Sequence[Cell]) -> str:
    """The unit in which all figures of a column are read; empty where they differ, have none, or hold words.

    Durations name their units themselves.
    """
    found = [cell for cell in cells if cell.quantity is not None]
    if not found or any(cell.text for cell in found):
        return ""
    units = set()
    for cell in found:
        quantity = cell.quantity
        if quantity is None or (quantity.shown is Shown.DURATION):
            return ""
        units.add(shown_in(quantity.unit, quantity.shown)[1])
    return units.pop() if len(units) == 1 else ""
