"""The list of devices as rows of text.

Knows `DeviceRow` and verdicts; no Textual.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from store.model.records import DeviceRow
from store.uncertainty.decision import VERDICTS, Verdict
from tui.render import format as fmt
from tui.render.plain import fit, plain, width_of
from tui.state.lines import Line, line

__all__ = ["DeviceList"]

_SHORT = {"too close to call": "too close", "not tested": "untested"}
_FLOORS = {3: 11, 2: 5, 6: 12, 1: 5}
_TEXTS = 4
"""So many columns hold words; the rest are numbers but for the last."""


@dataclass(slots=True)
class DeviceList:
    """Devices with their kind, maker, model, rating, number of runs, and how their claims stand."""

    signs: fmt.Signs = fmt.UNICODE_SIGNS
    rows: list[DeviceRow] = field(default_factory=list)
    tallies: dict[str, str] = field(default_factory=dict)
    """`5 met, 3 not met` by device; empty until the claims were judged."""
    marked: set[str] = field(default_factory=set)

    HEADS = ("device", "kind", "maker", "model", "rated Wh", "runs", "claims")
    MOST = (16, 12, 24, 60, 9, 6, 44)
    SHRINK = (3, 2, 6, 1)
    """Columns that give way where the line is too narrow, the first of them first."""

    def toggle_mark(self, device: str) -> None:
        """Mark a device, or take its mark away."""
        self.marked ^= {device}

    def judged(self, verdicts: Iterable[Verdict]) -> None:
        """Take the verdicts on all claims."""
        counted: dict[str, Counter[str]] = {}
        for verdict in verdicts:
            counted.setdefault(verdict.device, Counter())[verdict.verdict] += 1
        self.tallies = {
            device: ", ".join(f"{found[word]} {_SHORT.get(word, word)}" for word in VERDICTS if found[word])
            for device, found in counted.items()
        }

    def _cells(self, row: DeviceRow) -> list[str]:
        text = [plain(part, ascii_only=self.signs.is_ascii) for part in (row.device, row.kind, row.maker, row.model)]
        tally = self.tallies.get(row.device, "")
        return [*text, fmt.significant(row.rated_wh, 3), fmt.count(row.runs), tally]

    def _widths(self, width: int) -> list[int]:
        cells = [self._cells(row) for row in self.rows]
        wide = []
        for i, (head, most) in enumerate(zip(self.HEADS, self.MOST, strict=True)):
            longest = max((width_of(c[i]) for c in cells), default=0)
            wide.append(min(max(width_of(head), longest), most) if longest else 0)
        over = sum(w + 2 for w in wide if w) - 2 - width
        for i in self.SHRINK:
            cut = min(max(over, 0), max(wide[i] - _FLOORS[i], 0))
            wide[i] -= cut
            over -= cut
        return wide

    def _line(self, cells: list[str] | tuple[str, ...], width: int, role: str) -> Line:
        wide = self._widths(width)
        last = len(wide) - 1
        texts = [fit(c, w, right=_TEXTS <= i < last) for i, (c, w) in enumerate(zip(cells, wide, strict=True)) if w > 0]
        return line(("  ".join(texts), role))

    def head_line(self, width: int) -> Line:
        """Names of the columns; one that nothing stands in is left out."""
        return line("   ", *self._line(self.HEADS, width - 3, "head"))

    def row_line(self, index: int, width: int) -> Line | None:
        """One device."""
        if index >= len(self.rows):
            return None
        sign = self.signs.mark if self.rows[index].device in self.marked else " "
        return line((sign, "accent"), *self._line(self._cells(self.rows[index]), width - 1, ""))
