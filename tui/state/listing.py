"""A page of rows with a cursor: columns as wide as they need, the widest words cut where the line is too narrow.

Knows text; no Textual.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

from tui.render import format as fmt
from tui.render.plain import fit, plain, width_of
from tui.state.actions.model import Listing, ListingRow
from tui.state.lines import Line, line

__all__ = ["ListingModel"]

LEAST = 6
"""A column is not cut below so many cells."""
DETAIL_LINES = 3


@dataclass(slots=True)
class ListingModel:
    """What is listed, as lines."""

    listing: Listing
    signs: fmt.Signs = fmt.UNICODE_SIGNS
    _kept: tuple[int, list[list[str]], list[int]] | None = None
    """Cells and widths as of the width that they were last laid out for."""

    def show(self, listing: Listing) -> None:
        """Take other rows."""
        self.listing, self._kept = listing, None

    def row(self, index: int) -> ListingRow | None:
        """A row by its place."""
        return self.listing.rows[index] if 0 <= index < len(self.listing.rows) else None

    def place_of(self, key: str) -> int:
        """Where a row stands; the first where it is gone."""
        return next((at for at, row in enumerate(self.listing.rows) if row.key == key), 0)

    def _laid_out(self, width: int) -> tuple[list[list[str]], list[int]]:
        if self._kept is None or self._kept[0] != width:
            heads, is_ascii = self.listing.heads, self.signs.is_ascii
            cells = [[plain(cell, ascii_only=is_ascii) for cell in row.cells] for row in self.listing.rows]
            for at, head in enumerate(heads):
                if head.is_number:
                    aligned = fmt.align_on_point([row[at] for row in cells])
                    for row, text in zip(cells, aligned, strict=True):
                        row[at] = text
            wide = [max([width_of(head.head), *(width_of(row[at]) for row in cells)]) for at, head in enumerate(heads)]
            while sum(wide) + 2 * len(wide) > width and max(wide) > LEAST:
                wide[wide.index(max(wide))] -= 1
            self._kept = (width, cells, wide)
        return self._kept[1], self._kept[2]

    def _line(self, texts: list[str], wide: list[int], role: str) -> Line:
        shown = [
            fit(text, cells, right=head.is_number, ellipsis=self.signs.ellipsis)
            for text, cells, head in zip(texts, wide, self.listing.heads, strict=True)
        ]
        return line(" ", ("  ".join(shown), role))

    def head_line(self, width: int) -> Line:
        """Names of the columns."""
        _, wide = self._laid_out(width - 2)
        return line(" ", *self._line([head.head for head in self.listing.heads], wide, "head"))

    def row_line(self, index: int, width: int) -> Line | None:
        """One row."""
        cells, wide = self._laid_out(width - 1)
        return self._line(cells[index], wide, "") if 0 <= index < len(cells) else None

    def detail_lines(self, index: int, width: int) -> list[Line]:
        """What else there is to say of the row under the cursor, and the cells that were cut."""
        row = self.row(index)
        if row is None:
            return []
        cells, wide = self._laid_out(width - 2)
        is_ascii = self.signs.is_ascii
        cut = [
            f"{head.head}: {text}"
            for head, text, room in zip(self.listing.heads, cells[index], wide, strict=True)
            if width_of(text) > room
        ]
        told = plain(". ".join(part.rstrip(".") for part in (*cut, row.detail) if part), ascii_only=is_ascii)
        return [line(" ", (part, "dim")) for part in textwrap.wrap(told, max(width - 2, 20))[:DETAIL_LINES]]
