"""Cells of text -> Float64, vectorised, with the line of every cell that is no number.

Knows Polars and notation of numbers. Knows no quantity.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from importers.vocabulary.words import Vocabulary, normalise

__all__ = ["Numbers", "times_units", "to_numbers", "unit_texts"]

_SUFFIX = r"^\s*([+\-\u2212]?[\d.,' \u2019\u00a0\u2009\u202f]*\d[.,]?(?:[eE][+\-]?\d+)?)\s*([^\d\s.,+\-eE'].*?)\s*$"


@dataclass(frozen=True, slots=True)
class Numbers:
    """One column's numbers."""

    values: pl.Series
    """Float64, NULL where absent."""
    bad: tuple[int, ...] = ()
    """Rows that hold something that is no number."""
    overload: tuple[int, ...] = ()
    """Rows that say that the meter was over its range."""


def to_numbers(
    column: pl.Series, decimal: str, thousands: str, words: Vocabulary, factors: Mapping[str, float] | None = None
) -> Numbers:
    """Convert one column.

    Args:
        column: String, or Float64 already.
        decimal: `.` or `,`.
        thousands: mark or empty.
        words: for words that say missing or overload.
        factors: units behind the number in the cell -> factor; None where the cells have none.
    """
    if column.dtype == pl.Float64:
        return Numbers(column)
    text = column.str.strip_chars(" \t\r\"'\u00a0")
    scale: pl.Series | None = None
    if factors is not None:
        parts = text.str.extract_groups(_SUFFIX).struct.unnest()
        number, unit = parts.to_series(0), parts.to_series(1)
        known = unit.is_in(list(factors))
        scale = unit.replace_strict(dict(factors), default=None, return_dtype=pl.Float64)
        text = pl.select(pl.when(known).then(number).otherwise(text)).to_series()
    values = _cast(text, decimal, thousands)
    doubt = _doubtful(values, text)
    if doubt.any() and (grouped := _regrouped(text, doubt, decimal)) is not None:
        values = _cast(grouped, decimal, "")
        doubt = _doubtful(values, grouped)
    if not doubt.any():
        return Numbers(_scaled(values, scale))
    bad, over = [], []
    for row in doubt.arg_true().to_list():
        plain = normalise(text[row])
        if plain in words.overload or set(plain) == {"#"}:
            over.append(row)
        elif plain not in words.missing:
            bad.append(row)
    values = pl.select(pl.when(values.is_finite()).then(values)).to_series()
    return Numbers(_scaled(values, scale), tuple(bad), tuple(over))


def _doubtful(values: pl.Series, text: pl.Series) -> pl.Series:
    return (values.is_null() & text.is_not_null() & (text != "")) | (values.is_not_null() & ~values.is_finite())


def _regrouped(text: pl.Series, doubt: pl.Series, decimal: str) -> pl.Series | None:
    """Take thousands marks out that first come up late in a file; None where no cell has one.

    Spaces and apostrophes are never decimal marks. A comma or point counts only before a decimal part, or where no
    cell of the column has one.
    """
    point = re.escape(decimal)
    other = r"\." if decimal == "," else ","
    mixed = text.filter(~doubt).str.contains(point).any()
    plain = rf"^[+\-\u2212]?\d{{1,3}}(?:[ '\u2019\u00a0\u2009\u202f]\d{{3}})+(?:{point}\d*)?$"
    marked = rf"^[+\-\u2212]?\d{{1,3}}(?:{other}\d{{3}})+{point}\d*$"
    bare = rf"^[+\-\u2212]?\d{{1,3}}(?:{other}\d{{3}})+$"
    found = text.str.contains(plain) | text.str.contains(marked)
    if not mixed:
        found = found | text.str.contains(bare)
    found = (found & doubt).fill_null(value=False)
    if not found.any():
        return None
    bared = text.str.replace_all(rf"[ '\u2019\u00a0\u2009\u202f]|{other}", "")
    return pl.select(pl.when(found).then(bared).otherwise(text)).to_series()


def _scaled(values: pl.Series, scale: pl.Series | None) -> pl.Series:
    return values if scale is None else values * scale.fill_null(1.0)


def _cast(text: pl.Series, decimal: str, thousands: str) -> pl.Series:
    if thousands:
        # only in groups of three: `1.23` with a point as thousands mark is no number
        mark, point = re.escape(thousands), re.escape(decimal)
        grouped = text.str.contains(rf"^[+\-]?\d{{1,3}}({mark}\d{{3}})+({point}\d*)?([eE][+\-]?\d+)?$")
        text = pl.select(
            pl.when(grouped).then(text.str.replace_all(thousands, "", literal=True)).otherwise(text)
        ).to_series()
    if decimal == ",":
        if text.str.contains(".", literal=True).any():
            text = pl.select(
                pl.when(text.str.contains(".", literal=True)).then(pl.lit("?")).otherwise(text)
            ).to_series()
        text = text.str.replace(",", ".", literal=True)
    if text.str.contains("\u2212", literal=True).any():
        text = text.str.replace("\u2212", "-", literal=True)
    return text.cast(pl.Float64, strict=False)


def times_units(values: pl.Series, units: pl.Series, factors: Mapping[str, float]) -> tuple[pl.Series, tuple[int, ...]]:
    """Multiply each number by the factor of the unit that stands in its row.

    Returns:
        The numbers, NULL where the unit is none of `factors`, and the rows in which it is none.
    """
    texts = units.cast(pl.String).str.strip_chars(" \t\r\"'")
    scale = texts.replace_strict(dict(factors), default=None, return_dtype=pl.Float64)
    lost = values.is_not_null() & scale.is_null()
    return values * scale, tuple(lost.arg_true().to_list())


def unit_texts(samples: list[str]) -> Counter[str]:
    """Units that stand behind numbers in sample cells, and how often."""
    found: Counter[str] = Counter()
    pattern = re.compile(_SUFFIX)
    for cell in samples:
        match = pattern.match(cell.strip().strip('"'))
        if match:
            found[match.group(2)] += 1
    return found
