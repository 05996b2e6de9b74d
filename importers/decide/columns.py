"""What each column of a file shows: its label, the kind of its cells, its numbers.

Knows labels, cells and sample rows. Draws no conclusion about units or clocks.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from importers.text.cellkinds import cell_kind
from importers.text.cells import to_numbers, unit_texts
from importers.text.rowset import Rows, name_of
from importers.text.shape import Layout
from importers.vocabulary.labels import Label, read_label
from importers.vocabulary.words import Vocabulary

__all__ = ["Column", "guess_numeric", "look_at_columns"]


@dataclass(frozen=True, slots=True)
class Column:
    """Evidence about one column."""

    index: int
    label: Label
    kind: str
    """number, datetime, date, time, text, empty."""
    texts: tuple[str, ...]
    """The first cells as they stand."""
    values: npt.NDArray[np.float64]
    """All sample values, NaN where absent; empty for texts."""
    cell_units: tuple[str, ...] = ()
    """Units behind numbers in cells."""
    distinct: tuple[str, ...] = ()
    """Distinct texts of a text column, at most 17."""
    late: npt.NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    """Values from within and from the end of a longer file: for ranges and signs."""

    @property
    def name(self) -> str:
        """Name in the file."""
        return self.label.name

    @property
    def finite(self) -> npt.NDArray[np.float64]:
        """Values that are there, late ones included."""
        every = np.concatenate((self.values, self.late)) if len(self.late) else self.values
        return every[np.isfinite(every)]


def guess_numeric(layout: Layout, words: Vocabulary) -> frozenset[int]:
    """Tell which columns hold plain numbers in the first rows."""
    rows = layout.samples[:24]
    found = set()
    for i in range(layout.width):
        kinds = {cell_kind(row[i], words) for row in rows}
        if "number" in kinds and kinds <= {"number", "empty", "missing", "overload"}:
            found.add(i)
    return frozenset(found)


def look_at_columns(layout: Layout, rows: Rows, words: Vocabulary, late: Sequence[Rows] = ()) -> list[Column]:
    """Collect the evidence of every column; `late` rows count for ranges and signs only."""
    columns = [_look(i, layout, rows, words) for i in range(layout.width)]
    return [_with_late(c, layout, late, words) for c in columns] if late else columns


def _with_late(column: Column, layout: Layout, late: Sequence[Rows], words: Vocabulary) -> Column:
    if column.kind != "number":
        return column
    factors = dict.fromkeys(column.cell_units, 1.0) if column.cell_units else None
    parts = [
        to_numbers(r.cells[name_of(column.index)], layout.decimal, layout.thousands, words, factors).values
        for r in late
    ]
    return replace(column, late=np.concatenate([p.fill_null(float("nan")).to_numpy() for p in parts]))


def _look(index: int, layout: Layout, rows: Rows, words: Vocabulary) -> Column:
    heading = f"{layout.port_row[index]} {layout.names[index]}".strip()
    is_named = layout.header_line is not None or bool(layout.unit_row[index])
    label = read_label(heading, layout.unit_row[index], words) if is_named else Label(heading)
    if label.name != layout.names[index]:
        label = _renamed(label, layout.names[index] or heading)
    cells = rows.cells[name_of(index)]
    nothing = np.empty(0)
    if cells.dtype == pl.Float64:
        texts = tuple(row[index] for row in layout.samples)
        return Column(index, label, "number", texts, cells.to_numpy())
    texts = tuple(t or "" for t in cells.head(100).to_list())
    kinds = Counter(cell_kind(t, words) for t in texts)
    useful = {k: n for k, n in kinds.items() if k not in {"empty", "missing", "overload"}}
    if not useful and kinds.get("overload"):
        useful = {"number": 1}
    if not useful:
        kind = _kind_of_rest(cells, words)
        if kind == "empty":
            return Column(index, label, "empty", texts, nothing)
        useful = {kind: 1}
    kind = max(useful, key=lambda k: useful[k])
    if kind in {"number", "unit-number"}:
        return _numeric(index, label, cells, texts, layout, words, has_units="unit-number" in useful)
    distinct = (
        tuple(cells.drop_nulls().str.strip_chars().unique(maintain_order=True).head(17).to_list())
        if kind == "text"
        else ()
    )
    return Column(index, label, kind, texts, nothing, distinct=distinct)


def _kind_of_rest(cells: pl.Series, words: Vocabulary) -> str:
    """Tell a column's kind where its first cells are all empty."""
    filled = cells.filter(cells.str.strip_chars().str.len_chars() > 0)
    kinds = Counter(cell_kind(t, words) for t in filled.head(20).to_list())
    useful = [k for k, _ in kinds.most_common() if k not in {"empty", "missing", "overload"}]
    return useful[0] if useful else "empty"


def _renamed(label: Label, name: str) -> Label:
    return replace(label, name=name)


def _numeric(
    index: int,
    label: Label,
    cells: pl.Series,
    texts: tuple[str, ...],
    layout: Layout,
    words: Vocabulary,
    *,
    has_units: bool,
) -> Column:
    units: tuple[str, ...] = ()
    if has_units:
        found = unit_texts(list(texts))
        units = tuple(sorted(u for u in found if words.unit(u) is not None))
    factors = dict.fromkeys(units, 1.0) if units else None
    numbers = to_numbers(cells, layout.decimal, layout.thousands, words, factors)
    return Column(
        index, label, "number", texts, numbers.values.cast(pl.Float64).fill_null(float("nan")).to_numpy(), units
    )
