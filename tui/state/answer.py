"""An answer to a question in SQL, as texts that line up, and what of it can be drawn.

Knows Arrow tables and text; no Textual, no SQL.
"""

from __future__ import annotations

import math
from datetime import date, datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from pyarrow import types

from store.model.records import Answer, Strip, StripSet
from tui.render import format as fmt
from tui.render.plain import plain

__all__ = ["as_texts", "counted", "drawable_columns", "numbers_of", "over"]

FloatArray = npt.NDArray[np.float64]

LONGEST_CELL = 200
"""Characters of a cell that are shown; a file gets all of them."""


def as_texts(table: pa.Table, signs: fmt.Signs = fmt.UNICODE_SIGNS) -> pa.Table:
    """The table with every cell as harmless text; numbers lined up on their points.

    Args:
        table: Any columns, also several of one name.
        signs: What the terminal can draw.
    """
    columns = [_texts(table.column(i), signs) for i in range(table.num_columns)]
    return pa.Table.from_arrays(
        [pa.array(c, pa.string()) for c in columns], names=[str(i) for i in range(len(columns))]
    )


def _texts(column: pa.ChunkedArray, signs: fmt.Signs) -> list[str]:
    values = column.to_pylist()
    if types.is_floating(column.type) or types.is_decimal(column.type):
        return fmt.align_on_point([_number(v) for v in values])
    if types.is_integer(column.type):
        texts = [str(v) if v is not None else "" for v in values]
        width = max(map(len, texts), default=0)
        return [t.rjust(width) for t in texts]
    return [_text(v, signs) for v in values]


def _number(value: Any) -> str:
    if value is None:
        return ""
    number = float(value)
    if not math.isfinite(number):
        return str(number)
    if number == 0 or 1e-4 <= abs(number) < 1e9:
        return fmt.significant(number, 5, most_decimals=8).replace(",", "")
    return f"{number:.4e}"


def _text(value: Any, signs: fmt.Signs) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat(sep=" ", timespec="seconds")
    if isinstance(value, date):
        return value.isoformat()
    return plain(str(value)[:LONGEST_CELL], ascii_only=signs.is_ascii)


def counted(answer: Answer) -> str:
    """How much came, and how long it took."""
    rows = answer.table.num_rows
    more = f"the first {fmt.count(rows)} rows" if answer.is_cut else f"{fmt.count(rows)} row{'' if rows == 1 else 's'}"
    return f"{more} in {fmt.significant(answer.elapsed_s, 2, most_decimals=3)} s"


def drawable_columns(table: pa.Table) -> list[str]:
    """Columns that hold numbers or times."""
    return [f.name for f in table.schema if _is_drawable(f.type)]


def _is_drawable(kind: pa.DataType) -> bool:
    return bool(types.is_floating(kind) or types.is_integer(kind) or types.is_decimal(kind) or types.is_timestamp(kind))


def numbers_of(table: pa.Table, name: str) -> FloatArray:
    """A column as numbers, NaN where empty; times as seconds from the first."""
    column = table.column(table.schema.names.index(name))
    if types.is_timestamp(column.type):
        moments = [None if v is None else v.timestamp() for v in column.to_pylist()]
        first = min((m for m in moments if m is not None), default=0.0)
        return np.array([math.nan if m is None else m - first for m in moments])
    return np.array([math.nan if v is None else float(v) for v in column.to_pylist()], dtype=np.float64)


def over(x: FloatArray, y: FloatArray, name: str, buckets: int) -> StripSet:
    """One column over another as a strip: minimum and maximum per equal span of the other.

    Args:
        x: What it is drawn over, n values; rows without a value are left out.
        y: n values.
        name: The column's name.
        buckets: How many spans.
    """
    known = ~(np.isnan(x) | np.isnan(y))
    x, y = x[known], y[known]
    low, high = np.full(buckets, np.nan), np.full(buckets, np.nan)
    if not len(x):
        return StripSet(0.0, 1.0, buckets, (Strip(name, "", low, low, high),))
    first, last = float(x.min()), float(x.max())
    span = last - first or 1.0
    index = np.minimum(((x - first) / span * buckets).astype(int), buckets - 1)
    low[:], high[:] = np.inf, -np.inf
    np.minimum.at(low, index, y)
    np.maximum.at(high, index, y)
    empty = np.isinf(low)
    low[empty] = high[empty] = np.nan
    return StripSet(first, first + span, buckets, (Strip(name, "", low, (low + high) / 2, high),))
