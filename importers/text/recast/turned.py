"""Tables that lie on their side or have a row for each quantity -> a row for each moment.

Knows cells, labels and the vocabulary.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from importers.text.cellkinds import BLANKS, VALUES, cell_kind
from importers.text.quoting import quoted_cells
from importers.text.recast.recast import Recast, table_text
from importers.vocabulary.labels import read_label
from importers.vocabulary.words import Vocabulary, normalise

__all__ = ["LongTable", "find_long", "long_as_table", "on_its_side", "side_as_table"]

_MEASURED = frozenset(
    {
        "voltage",
        "current",
        "power",
        "energy",
        "charge",
        "temperature",
        "resistance",
        "frequency",
        "power_factor",
        "percent",
    }
)
_CLOCKS = frozenset({"elapsed", "wall_clock", "date", "sample"})
_MOST_LINES = 60
"""Quantities that a transposed table may have (chosen by us)."""


def on_its_side(head: str, words: Vocabulary) -> str | None:
    """The mark between cells of a table whose lines are quantities; None where it is none."""
    lines = [line for line in head.split("\n") if line.strip()]
    if not 3 <= len(lines) <= _MOST_LINES:
        return None
    for mark in ("\t", ";", ",", "|"):
        rows = [r for r in (quoted_cells(line, mark) for line in lines) if len(r) > 8]
        if len(rows) < 3 or len(rows) < len(lines) - 3 or len({len(r) for r in rows}) != 1:
            continue
        if len(rows[0]) <= len(rows) or not all(_is_side_row(r, words) for r in rows):
            continue
        said = {read_label(r[0], "", words).quantity for r in rows}
        if said & _MEASURED and (
            said & _CLOCKS or any(cell_kind(rows[0][-1], words) in {"datetime", "time"} for r in rows)
        ):
            return mark
    return None


def _is_side_row(row: list[str], words: Vocabulary) -> bool:
    """Tell whether a line is a name, perhaps a unit, and values."""
    if cell_kind(row[0], words) != "text":
        return False
    kinds = [cell_kind(c, words) for c in row[2:202]]
    values = sum(k in VALUES for k in kinds)
    return values >= 1 and values + sum(k in BLANKS for k in kinds) >= 0.9 * len(kinds)


def side_as_table(text: str, mark: str, words: Vocabulary) -> Recast:
    """Make the table: lines become columns; lines of other widths stay above it."""
    every = [r for r in (quoted_cells(line, mark) for line in text.split("\n")) if any(c.strip() for c in r)]
    width = Counter(len(r) for r in every).most_common(1)[0][0]
    rows = [r for r in every if len(r) == width]
    above = [[mark.join(r)] for r in every if len(r) != width]
    units = [r[1].strip() for r in rows]
    has_units = all(not u or words.unit(u) is not None for u in units) and any(units)
    first = 2 if has_units else 1
    names = [f"{r[0].strip()} ({u})" if has_units and u else r[0].strip() for r, u in zip(rows, units, strict=True)]
    body = [list(cells) for cells in zip(*(r[first:] for r in rows), strict=True)]
    start = len(above) + 2
    return Recast(
        "a transposed table", table_text([*above, names, *body]), places=((1, "Line", 1), (start, "Column", first + 1))
    )


@dataclass(frozen=True, slots=True)
class LongTable:
    """A table with a row for each quantity, as it stands in the file."""

    mark: str
    names: tuple[str, ...]
    header: int
    """0-based line of the header; -1 where there is none."""
    samples: list[list[str]]
    """First rows."""
    name: int
    value: int
    unit: int | None


def find_long(head: str, words: Vocabulary) -> LongTable | None:
    """Find a table with a row for each quantity; None where there is none."""
    lines = head.split("\n")[:400]
    for mark in ("\t", ";", ",", "|"):
        if sum(mark in line for line in lines[:60]) < 3:
            continue
        rows = [quoted_cells(line, mark) for line in (lines[:-1] if len(lines) > 2 else lines)]
        width = Counter(len(r) for r in rows if len(r) > 1).most_common(1)
        if not width or not 3 <= width[0][0] <= 8:
            continue
        first = next(i for i, r in enumerate(rows) if len(r) == width[0][0])
        titles = [c.strip() for c in rows[first]]
        is_header = all(cell_kind(c, words) in {"text", "empty"} for c in titles)
        samples = [r for r in rows[first + is_header :] if len(r) == width[0][0]][:200]
        if len(samples) < 4:
            continue
        names = tuple(titles) if is_header else tuple(f"column {i + 1}" for i in range(len(titles)))
        found = _columns_of_long(names, samples, words)
        if found is not None:
            return LongTable(mark, names, first if is_header else first - 1, samples, *found)
    return None


def _columns_of_long(
    names: tuple[str, ...], samples: list[list[str]], words: Vocabulary
) -> tuple[int, int, int | None] | None:
    """Columns of the quantity's name, its value and its unit; None where there are none, or no clock beside them."""
    columns = list(zip(*samples, strict=True))
    kinds = [Counter(cell_kind(c, words) for c in column) for column in columns]
    name = next((i for i, column in enumerate(columns) if _is_names(column, words)), None)
    if name is None:
        return None
    unit = next((i for i, c in enumerate(columns) if i != name and _is_units(c, words)), None)
    values = [
        i for i, k in enumerate(kinds) if i not in {name, unit} and k["number"] + k["unit-number"] > 0.5 * k.total()
    ]
    free = [i for i in values if read_label(names[i], "", words).quantity not in _CLOCKS]
    if not free or len(values) - len(free) + sum(k["datetime"] + k["date"] + k["time"] > 0 for k in kinds) == 0:
        return None
    preferred = [i for i in free if normalise(names[i]).split("(")[0].strip() in _VALUE_NAMES]
    chosen = preferred or free
    return (name, chosen[0], unit) if len(chosen) == 1 else None


_VALUE_NAMES = frozenset(
    {"value", "reading", "wert", "messwert", "valeur", "valor", "valore", "waarde", "wartosc", "hodnota", "ertek"}
    | {
        "varde",
        "arvo",
        "deger",
        "τιμη",
        "значение",
        "значення",
        "数值",
        "值",
        "値",
        "測定値",
        "값",
        "data",
        "measurement",
    }
)


def _is_names(column: tuple[str, ...], words: Vocabulary) -> bool:
    """Tell whether a column holds names of two or more quantities, again and again."""
    said = Counter(c.strip().strip('"') for c in column)
    if not 2 <= len(said) <= 40 or said.total() < 2 * len(said):
        return False
    labels = [read_label(name, "", words) for name in said]
    measured = {label.quantity for label in labels if label.quantity in _MEASURED}
    return len(measured) >= 2 and sum(label.quantity in _MEASURED for label in labels) >= 0.7 * len(labels)


def _is_units(column: tuple[str, ...], words: Vocabulary) -> bool:
    said = {c.strip().strip('"') for c in column} - {""}
    return bool(said) and all(words.unit(u) is not None and not any(c.isdigit() for c in u) for u in said)


def long_as_table(text: str, table: LongTable) -> Recast:
    """Make the table: rows of one moment become one; a line of another width stays as it is, for it to be counted."""
    width = len(table.names)
    kept = [i for i in range(width) if i not in {table.name, table.value, table.unit}]
    columns: dict[str, int] = {}
    units: dict[str, set[str]] = {}
    rows: list[tuple[list[str], dict[str, tuple[str, str]]]] = []
    lines: list[int] = []
    odd: list[tuple[int, str]] = []
    preamble = text.split("\n", max(table.header, 0) + 1)[: max(table.header, 0)]
    for number, line in enumerate(text.split("\n"), 1):
        row = quoted_cells(line, table.mark)
        if number <= table.header + 1 or not any(c.strip() for c in row):
            continue
        if len(row) < width:
            odd.append((number, line))
            continue
        name, value = row[table.name].strip(), row[table.value].strip()
        unit = row[table.unit].strip() if table.unit is not None else ""
        moment = [row[i].strip() for i in kept]
        columns.setdefault(name, len(columns))
        units.setdefault(name, set()).add(unit)
        if not rows or rows[-1][0] != moment or name in rows[-1][1]:
            rows.append((moment, {}))
            lines.append(number)
        rows[-1][1][name] = (value, unit)
    heads = [table.names[i] for i in kept]
    for name in columns:
        one = units[name] - {""}
        heads.append(f"{name} ({next(iter(one))})" if len(one) == 1 else name)
    glued = {name for name in columns if len(units[name] - {""}) > 1}
    body = [[*moment, *(_cell(found.get(name), glued=name in glued) for name in columns)] for moment, found in rows]
    places = [table.header + 1 or 1, *lines]
    for number, line in odd:
        at = next((i for i, n in enumerate(places) if n > number), len(places))
        places.insert(at, number)
        body.insert(max(at - 1, 0), [line])
    above = [[line] for line in preamble]
    every = (*range(1, len(above) + 1), *places)
    return Recast("rows of one quantity each", table_text([*above, heads, *body]), lines=every)


def _cell(found: tuple[str, str] | None, *, glued: bool) -> str:
    if found is None:
        return ""
    return f"{found[0]} {found[1]}" if glued and found[0] else found[0]
