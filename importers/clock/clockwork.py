"""What a clock is, as far as it can be told without physics; and the tests by which columns are known as clocks.

Knows columns. Which one is chosen is `clock_choice`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from importers.clock.forms import ClockForm, TextClock, read_clock_text, to_clock
from importers.decide.columns import Column
from importers.decide.plan import Question
from importers.text.rowset import Rows, name_of
from importers.text.shape import TableLayout
from importers.vocabulary.words import Unit

__all__ = [
    "UNIT_WORDS",
    "UNIX_SIZES",
    "Clockwork",
    "clock_candidates",
    "is_clock_like",
    "is_dated_number",
    "read_texts",
    "readings",
]

Array = npt.NDArray[np.float64]
UNIT_WORDS = {"elapsed": "time", "s": "seconds", "ms": "milliseconds", "µs": "microseconds", "ns": "nanoseconds"}
UNIX_SIZES = (
    (1e9, 2.6e9, 1.0, "s"),
    (1e12, 2.6e12, 1e-3, "ms"),
    (1e15, 2.6e15, 1e-6, "µs"),
    (1e18, 2.6e18, 1e-9, "ns"),
)
"""Least and most of what seconds since 1970 are today, by their unit."""


@dataclass(frozen=True, slots=True)
class Clockwork:
    """The clock as far as it can be told without physics."""

    form: ClockForm | None
    date_form: ClockForm | None
    raw: Array
    """Clock of the sample rows in the form's own unit (seconds where the unit is known), NaN where unreadable."""
    open_units: tuple[Unit, ...] = ()
    """Units that a numeric clock may be in; empty where it is settled."""
    confidence: float = 0.0
    reason: str = ""
    questions: tuple[Question, ...] = ()
    used: frozenset[int] = frozenset()
    note: str = ""
    reasons: Mapping[int, str] | None = None


def readings(form: ClockForm, rows: Rows, layout: TableLayout) -> Array:
    """The sample rows by a form, in its own unit; NaN where a cell can't be read."""
    clock = to_clock(form, [rows.cells[name_of(i)] for i in form.columns], layout.decimal)
    return clock.cast(pl.Float64).fill_null(float("nan")).to_numpy()


def read_texts(column: Column, rows: Rows, day_first: str) -> TextClock:
    """What a column of texts can be as a clock, by its first cells and some of all."""
    cells = rows.cells[name_of(column.index)]
    height = len(cells)
    spread = cells.gather_every(max(1, height // 200)).drop_nulls().to_list() if height > 100 else []
    return read_clock_text([*column.texts, *spread], day_first=day_first)


def is_clock_like(column: Column) -> bool:
    """Tell whether numbers advance like a clock, but for few restarts."""
    good = column.finite
    if len(good) < 2:
        return len(good) == 1
    steps = np.diff(good)
    return bool((steps >= 0).mean() > 0.9 or (steps <= 0).mean() > 0.9) and bool((steps != 0).any())


def is_dated_number(column: Column) -> bool:
    """Tell whether numbers are of the size of seconds since 1970, or of a spreadsheet's days."""
    good = column.finite
    low, high = float(good.min()), float(good.max())
    if any(least <= low and high <= most for least, most, _, _ in UNIX_SIZES):
        return True
    return (
        column.label.unit is None
        and low >= 36000.0
        and high <= 62000.0
        and high - low < 60
        and bool((good != np.round(good)).any())
    )


def clock_candidates(columns: list[Column]) -> list[Column]:
    """Columns without a name that only ever advance: one of them may be the clock; the first, where it steps evenly."""
    found = _candidates(columns)
    if found and found[0].index == 0 and _is_even(found[0]) and not any(_is_even(c) for c in found[1:]):
        return found[:1]
    return found


def _is_even(column: Column) -> bool:
    steps = np.diff(column.values[np.isfinite(column.values)])
    return len(steps) > 8 and float(np.ptp(steps)) < 1e-6 * max(1.0, float(np.abs(column.finite).max()))


def _candidates(columns: list[Column]) -> list[Column]:
    return [c for c in columns if c.kind == "number" and c.label.quantity is None and is_clock_like(c)]
