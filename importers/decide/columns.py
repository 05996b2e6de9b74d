"""What each column of a file shows: its label, the kind of its cells, its numbers.

Knows labels, cells and sample rows. Draws no conclusion about units or clocks.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from importers.clock.dialects import is_dotted_time
from importers.text.cellkinds import cell_kind
from importers.text.cells import times_units, to_numbers, unit_texts
from importers.text.rowset import Rows, name_of
from importers.text.shape import TableLayout
from importers.vocabulary.labels import Label
from importers.vocabulary.neighbours import read_labels
from importers.vocabulary.words import Unit, Vocabulary

__all__ = ["Column", "cell_unit", "guess_numeric", "look_at_columns"]


_STRAY = 3


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
    """Units behind numbers in cells, or in the rows of a column of their own."""
    unit_column: int | None = None
    """Column that holds the unit of each row."""
    distinct: tuple[str, ...] = ()
    """Distinct texts of a text column, at most 65."""
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


def guess_numeric(layout: TableLayout, words: Vocabulary) -> frozenset[int]:
    """Tell which columns hold plain numbers in the first rows."""
    rows = layout.samples[:24]
    found = set()
    for i in range(layout.width):
        kinds = {cell_kind(row[i], words) for row in rows}
        if "number" in kinds and kinds <= {"number", "empty", "missing", "overload"}:
            found.add(i)
    return frozenset(found)


def look_at_columns(layout: TableLayout, rows: Rows, words: Vocabulary, late: Sequence[Rows] = ()) -> list[Column]:
    """Collect the evidence of every column; `late` rows count for ranges and signs only."""
    headings = [f"{p} {n}".strip() for p, n in zip(layout.port_row, layout.names, strict=True)]
    labels = read_labels(list(zip(headings, layout.unit_row, strict=True)), words)
    columns = [
        _look(i, labels[i] if layout.header_line is not None or layout.unit_row[i] else Label(h), layout, rows, words)
        for i, h in enumerate(headings)
    ]
    columns = with_cell_units(_with_unit_columns(columns, rows, words), words)
    return [_with_late(c, layout, late, words) for c in columns] if late else columns


def _with_late(column: Column, layout: TableLayout, late: Sequence[Rows], words: Vocabulary) -> Column:
    if column.kind != "number":
        return column
    factors = _factors(column.label, column.cell_units, words)
    at = column.unit_column
    parts = []
    for r in late:
        cells = r.cells[name_of(column.index)]
        found = to_numbers(cells, layout.decimal, layout.thousands, words, None if at is not None else factors).values
        parts.append(times_units(found, r.cells[name_of(at)], factors or {})[0] if at is not None else found)
    return replace(column, late=np.concatenate([p.fill_null(float("nan")).to_numpy() for p in parts]))


def _look(index: int, label: Label, layout: TableLayout, rows: Rows, words: Vocabulary) -> Column:
    if label.name != layout.names[index]:
        label = _renamed(label, layout.names[index] or label.name)
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
    if kind == "date" and is_dotted_time(list(texts)):
        kind = "time"
    if {"time", "unit-number"} <= set(useful) and any(c.isalpha() for t in texts[-20:] for c in t):
        kind = "time"  # `59s`, then `1m 0s`
    if kind in {"number", "unit-number"}:
        return _numeric(index, label, cells, texts, layout, words, has_units=_has_units(useful))
    distinct = (
        tuple(cells.drop_nulls().str.strip_chars().unique(maintain_order=True).head(65).to_list())
        if kind == "text"
        else ()
    )
    return Column(index, label, kind, texts, nothing, distinct=distinct)


def _has_units(kinds: Mapping[str, int]) -> bool:
    """Tell whether units stand behind a column's numbers: behind one in four at least; fewer are damaged cells."""
    return kinds.get("unit-number", 0) > 0.25 * kinds.get("number", 0)


def _kind_of_rest(cells: pl.Series, words: Vocabulary) -> str:
    """Tell a column's kind where its first cells are all empty."""
    filled = cells.filter(cells.str.strip_chars().str.len_chars() > 0)
    kinds = Counter(cell_kind(t, words) for t in filled.head(20).to_list())
    useful = [k for k, _ in kinds.most_common() if k not in {"empty", "missing", "overload"}]
    return useful[0] if useful else "empty"


def cell_unit(column: Column, text: str, words: Vocabulary) -> Unit | None:
    """The unit that stands behind a column's numbers; the column's quantity decides between C and °C, F and °F."""
    return _unit_of(column.label, text, words)


def _factors(label: Label, units: tuple[str, ...], words: Vocabulary) -> dict[str, float] | None:
    """Factors that bring readings of several units to the first one; None without units."""
    found = {u: unit for u in units if (unit := _unit_of(label, u, words)) is not None}
    if not found:
        return None
    first = next(iter(found.values()))
    return {u: unit.factor / first.factor if unit.quantity != "temperature" else 1.0 for u, unit in found.items()}


def _with_unit_columns(columns: list[Column], rows: Rows, words: Vocabulary) -> list[Column]:
    """Put columns that hold nothing but units with the numbers that they belong to."""
    out = list(columns)
    for column in columns:
        units = _all_units(column, words)
        if not units:
            continue
        owner = _owner_of(column, next(iter(units.values())).quantity, out)
        if owner is None:
            continue
        factors = _factors(owner.label, tuple(units), words) or {}
        values = pl.Series(owner.values, dtype=pl.Float64).fill_nan(None)
        scaled, _ = times_units(values, rows.cells[name_of(column.index)], factors)
        out[owner.index] = replace(
            owner,
            cell_units=tuple(units),
            unit_column=column.index,
            values=scaled.fill_null(float("nan")).to_numpy(),
        )
        why = f"gives the unit of `{owner.name}`, row by row"
        out[column.index] = replace(column, label=replace(column.label, quantity="text", unused=why))
    return out


def _all_units(column: Column, words: Vocabulary) -> dict[str, Unit]:
    """The units that a column of texts holds, where it holds nothing else and all are of one quantity."""
    if column.kind != "text" or not column.distinct:
        return {}
    found = {t: unit[0] for t in column.distinct if t and (unit := words.unit(t)) is not None}
    is_all = len(found) == len([t for t in column.distinct if t])
    return found if is_all and len({u.quantity for u in found.values()}) == 1 else {}


def _owner_of(column: Column, quantity: str, columns: Sequence[Column]) -> Column | None:
    """The numbers nearest before a column of units (else behind it) that may be in them."""
    said = "elapsed" if quantity == "time" else quantity
    before = [c for c in reversed(columns[: column.index]) if c.kind == "number"]
    for other in (*before, *(c for c in columns[column.index + 1 :] if c.kind == "number")):
        if other.unit_column is None and other.label.unit is None and other.label.quantity in {None, said}:
            return other
    return None


def _unit_of(label: Label, text: str, words: Vocabulary) -> Unit | None:
    if text.strip() in {"C", "c", "F", "f"} and label.quantity == "temperature":
        return words.units[f"°{text.strip().upper()}"]
    found = words.unit(text)
    return found[0] if found is not None else None


def with_cell_units(columns: list[Column], words: Vocabulary) -> list[Column]:
    """Let units behind the numbers say what unnamed columns are, as units in the header do."""
    if not any(c.cell_units for c in columns):
        return columns
    said = {c.label.quantity for c in columns} | {
        unit.quantity for c in columns for u in c.cell_units if (unit := cell_unit(c, u, words)) is not None
    }
    return [_by_cells(c, said, words) if c.cell_units else c for c in columns]


def _by_cells(column: Column, said: set[str | None], words: Vocabulary) -> Column:
    units = {unit.quantity: unit for u in column.cell_units if (unit := cell_unit(column, u, words)) is not None}
    if len(units) != 1:
        return column
    quantity, unit = next(iter(units.items()))
    label = column.label
    terms: tuple[str, ...] = ("unit",)
    if quantity == "charge" and unit.symbol == "C" and label.quantity is None and {"voltage", "current"} <= said:
        quantity, unit, terms = "temperature", words.units["°C"], ("neighbours",)
    if label.quantity is None or {label.quantity, quantity} == {"charge", "energy"}:
        why = f"{unit.symbol} follows its numbers"
        label = replace(label, quantity="elapsed" if quantity == "time" else quantity, terms=terms, reason=why)
    elif label.quantity in {"text", "port", "sample"} and quantity != "time":
        label = replace(label, quantity=quantity, terms=("unit",), reason=f"{unit.symbol} follows its numbers")
    elif quantity not in {label.quantity, "time", "percent"}:
        label = replace(
            label, conflict=f"the name says {label.quantity}, but {unit.symbol} after the numbers says {quantity}"
        )
    return replace(column, label=label)


def _renamed(label: Label, name: str) -> Label:
    return replace(label, name=name)


def _numeric(
    index: int,
    label: Label,
    cells: pl.Series,
    texts: tuple[str, ...],
    layout: TableLayout,
    words: Vocabulary,
    *,
    has_units: bool,
) -> Column:
    units: tuple[str, ...] = ()
    if has_units:
        every = cells.drop_nulls()
        found = unit_texts(
            [*texts, *every.gather_every(max(1, len(every) // 2000)).to_list(), *every.tail(50).to_list()]
        )
        # of a unit with other capitals a few cells may be damage: `1472v` in a column of millivolts
        units = tuple(
            sorted(u for u, n in found.items() if (unit := words.unit(u)) is not None and (unit[1] or n > _STRAY))
        )
    factors = _factors(label, units, words)
    numbers = to_numbers(cells, layout.decimal, layout.thousands, words, factors)
    return Column(
        index, label, "number", texts, numbers.values.cast(pl.Float64).fill_null(float("nan")).to_numpy(), units
    )
