"""Columns of numbers that are not used: each is explained, or it is asked about. A file is complete or asked.

Knows the places of columns. A reading that a person would see in the file is never dropped in silence.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from importers.decide.asking import other_columns, unread_unit, which_quantity
from importers.decide.columns import Column
from importers.decide.grouping import Slots
from importers.decide.physics import is_monotone
from importers.decide.plan import Question

__all__ = ["ask_leftovers", "copied_times"]

_MARKS = 4
"""A whole number of so few values [count] is a mark, not a reading."""
_HIGHEST_MARK = 15
_NUMBER_AND_MORE = re.compile(r"^([+\-]?\d+[.,]\d+)\s*([^\d\s.,;:/+\-][^\d\s]{0,5})$")
_ASKED = 2
"""More columns than this are asked about in one question."""


def ask_leftovers(
    columns: list[Column], slots: Slots, answers: Mapping[str, str], most: int, *, is_named: bool
) -> list[Question]:
    """Explain columns that nothing names, or ask.

    Args:
        columns: of the table.
        slots: places of columns; explained ones move from `unknown` to `unused`.
        answers: the tester's.
        most: columns of a file without names that are asked about one by one.
        is_named: True where the file names its columns.
    """
    used = [c for group in slots.groups for c in group.by_channel.values()]
    left = []
    for column in slots.unknown:
        why = _explained(column, used, is_named=is_named)
        if not why and answers.get("others") in {"unused", "none"}:
            why = "left out, as answered"
        if why:
            slots.unused[column.index] = why
        else:
            left.append(column)
    slots.unknown[:] = left
    texts = [c for c in columns if c.index in slots.unused and _is_read_badly(c) and not c.label.unused]
    if texts and answers.get("others") not in {"unused", "none"}:
        return [unread_unit(c) for c in texts[:_ASKED]] + _asked(left, used, most, is_named=is_named)[
            : _ASKED - len(texts)
        ]
    return _asked(left, used, most, is_named=is_named)


def _asked(left: list[Column], used: list[Column], most: int, *, is_named: bool) -> list[Question]:
    if not is_named:
        # two at a time: once they are answered, laws may tell the others
        first = sorted(left, key=_is_slow)[:_ASKED]
        return [which_quantity(c, used) for c in sorted(first, key=lambda c: c.index)] if len(left) <= most else []
    return [which_quantity(c, used) for c in left] if len(left) <= _ASKED else [other_columns(left)]


def _is_read_badly(column: Column) -> bool:
    """Tell numbers with an unknown unit behind them from words and codes."""
    cells = [t.strip() for t in column.texts if t.strip()]
    good = [m for t in cells if (m := _NUMBER_AND_MORE.match(t))]
    same = {m.group(2) for m in good}
    numbers = {m.group(1) for m in good}
    return column.kind == "text" and len(good) > 0.8 * len(cells) and len(same) <= 3 and len(numbers) > _MARKS


def _is_slow(column: Column) -> bool:
    """Tell counters, which laws tie to the others, from rates."""
    return is_monotone(column.values) and len(np.unique(column.finite)) > _MARKS


def _explained(column: Column, used: list[Column], *, is_named: bool) -> str:
    """Say why a column of no known name is no reading that is missed; empty where nothing says so."""
    good = column.finite
    if column.kind != "number" or len(good) == 0:
        return "holds no number"
    if not is_named:
        return ""
    distinct = np.unique(good)
    if len(distinct) == 1:
        return f"{good[0]:g} throughout, under a name that is not known"
    whole = bool((distinct == np.round(distinct)).all())
    if whole and len(distinct) <= _MARKS and distinct[0] >= 0 and distinct[-1] <= _HIGHEST_MARK:
        return "a mark of few values, under a name that is not known"
    if whole and len(column.values) > 2 and bool((np.diff(column.values) == 1).all()):
        return "numbers the rows"
    for other in used:
        if (times := copied_times(column, other)) is not None:
            return f"the readings of `{other.name}` again" + (f", times {times:g}" if times != 1.0 else "")
    return ""


def copied_times(column: Column, other: Column) -> float | None:
    """The power of ten by which a column repeats another; None where it does not."""
    if len(column.values) != len(other.values):
        return None
    both = np.isfinite(column.values) & np.isfinite(other.values) & (other.values != 0)
    if both.sum() < 3:
        return None
    ratio = column.values[both] / other.values[both]
    middle = float(np.median(ratio))
    if middle <= 0 or float(np.median(np.abs(ratio - middle))) > 1e-3 * middle:
        return None
    power = float(np.round(np.log10(middle)))
    return 10.0**power if abs(middle / 10.0**power - 1.0) < 1e-3 else None
