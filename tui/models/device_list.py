"""The list of devices as rows of text.

Knows `DeviceRow`; no Textual.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from store.model import DeviceRow
from tui import format as fmt
from tui.models.lines import Line, line
from tui.plain import fit, plain, width_of

__all__ = ["DeviceList"]


@dataclass(slots=True)
class DeviceList:
    """Devices with their kind, maker, model, rating and number of runs."""

    signs: fmt.Signs = fmt.UNICODE_SIGNS
    rows: list[DeviceRow] = field(default_factory=list)

    def _cells(self, row: DeviceRow) -> list[str]:
        text = [plain(part, ascii_only=self.signs.is_ascii) for part in (row.device, row.kind, row.maker, row.model)]
        return [*text, fmt.significant(row.rated_wh, 3), fmt.count(row.runs)]

    HEADS = ("device", "kind", "maker", "model", "rated Wh", "runs")
    MOST = (12, 12, 18, 24, 9, 6)

    def _widths(self, width: int) -> list[int]:
        cells = [self._cells(row) for row in self.rows]
        wide = [
            min(max([width_of(head), *(width_of(c[i]) for c in cells)]), most)
            for i, (head, most) in enumerate(zip(self.HEADS, self.MOST, strict=True))
        ]
        over = sum(wide) + 2 * len(wide) - width
        for i in (3, 2):
            cut = min(max(over, 0), wide[i] - 5)
            wide[i] -= cut
            over -= cut
        return wide

    def _line(self, cells: list[str] | tuple[str, ...], width: int, role: str) -> Line:
        wide = self._widths(width)
        texts = [fit(c, w, right=i >= 4) for i, (c, w) in enumerate(zip(cells, wide, strict=True))]
        return line(("  ".join(texts), role))

    def head_line(self, width: int) -> Line:
        """Names of the columns."""
        return line("   ", *self._line(self.HEADS, width - 3, "head"))

    def row_line(self, index: int, width: int) -> Line | None:
        """One device."""
        return line(" ", *self._line(self._cells(self.rows[index]), width - 1, "")) if index < len(self.rows) else None
