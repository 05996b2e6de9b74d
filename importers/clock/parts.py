"""Clocks in parts: a column each for hour, minute and second, beside a date or year, month and day; stamps of digits.

Knows columns. A part is known by its name and held against its numbers: whole, within bounds, rolling over in step.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from importers.clock.clockwork import Clockwork, is_clock_like, read_texts, readings
from importers.clock.dialects import names_of_clocks
from importers.clock.digits import COMPACT
from importers.clock.forms import ClockForm
from importers.decide.columns import Column
from importers.text.rowset import Rows
from importers.text.shape import TableLayout
from importers.vocabulary.words import normalise

__all__ = ["find_compact", "find_parts"]

_PARTS = {"Y": "year", "O": "month", "A": "day", "h": "hour", "m": "minute", "s": "second"}
_LEAST_DAY = 19_900_101.0
_MOST = {"Y": (1990, 2100), "O": (1, 12), "A": (1, 31), "h": (0, 23), "m": (0, 59), "s": (0, 60)}


def find_parts(columns: list[Column], rows: Rows, layout: TableLayout, day_first: str) -> Clockwork | None:
    """Find neighbouring columns that together are one time; None where there are none."""
    numbers = [c for c in columns if c.kind == "number" and len(c.finite)]
    named = {c.index: _letters(c) for c in numbers}
    time = next((t for wanted in ("hms", "hm", "ms") if (t := _neighbours(numbers, named, wanted))), None)
    if time is None:
        return None
    letters = (
        "hms" if len(time) == 3 else "hm" if "h" in named[time[0].index] and "s" not in named[time[1].index] else "ms"
    )
    if not _fits(time, letters):
        return None
    day = _neighbours([c for c in numbers if c not in time], named, "YOA")
    if day and all(_within(c, x) for c, x in zip(day, "YOA", strict=True)):
        return _made(
            "wall clock", [*day, *time], f"YOA{letters}", rows, layout, "year to second in columns of their own"
        )
    for date in (c for c in columns if c.kind == "date"):
        found = read_texts(date, rows, day_first)
        if found.kind == "date" and len(found.formats) == 1 and not found.dialect:
            why = f"date and, in columns of their own, the parts of the time: {found.reason}"
            return _made("wall clock", [date, *time], f"X{letters}|{found.formats[0]}", rows, layout, why)
    if letters[0] == "h" and _total(time, letters)[0] > 0 and _within(time[0], "h"):
        return _made("time of day", time, letters, rows, layout, "hour, minute and second in columns of their own")
    return _made("elapsed", time, letters, rows, layout, "elapsed time, its parts in columns of their own")


def _letters(column: Column) -> str:
    """The parts that a column's name may be of."""
    said = normalise(column.name).strip(" .()[]#:").removeprefix("time ").removeprefix("clock ").strip(" ._()[]")
    said = said.removeprefix("time_").removeprefix("t_")
    return "".join(letter for letter, part in _PARTS.items() if said in names_of_clocks()["parts"][part])


def _neighbours(columns: list[Column], named: dict[int, str], wanted: str) -> list[Column]:
    """Columns side by side that can be these parts, in this order."""
    for at in range(len(columns) - len(wanted) + 1):
        found = columns[at : at + len(wanted)]
        beside = all(b.index - a.index == 1 for a, b in pairwise(found))
        if beside and all(letter in named[c.index] for letter, c in zip(wanted, found, strict=True)):
            return found
    return []


def _within(column: Column, letter: str) -> bool:
    low, high = _MOST[letter]
    values = column.finite
    return bool(len(values)) and float(values.min()) >= low and float(values.max()) <= high


def _total(time: list[Column], letters: str) -> np.ndarray:
    sizes = {"h": 3600.0, "m": 60.0, "s": 1.0}
    return np.asarray(sum(c.values * sizes[x] for c, x in zip(time, letters, strict=True)))


def _fits(time: list[Column], letters: str) -> bool:
    """Hold the numbers against what they would be: whole but the last, in bounds but the first, advancing."""
    for at, column in enumerate(time):
        values = column.finite
        if float(values.min()) < 0 or (at < len(time) - 1 and bool((values != np.round(values)).any())):
            return False
        if at > 0 and float(values.max()) >= 60.001:
            return False
    steps = np.diff(_total(time, letters))
    steps = steps[np.isfinite(steps)]
    return len(steps) > 0 and bool((steps >= 0).mean() > 0.95 or (steps <= 0).mean() > 0.95)


def _made(source: str, used: list[Column], letters: str, rows: Rows, layout: TableLayout, why: str) -> Clockwork:
    form = ClockForm(source, tuple(c.index for c in used), 1.0, "", f"digits:{letters}")
    indices = frozenset(c.index for c in used)
    return Clockwork(form, None, readings(form, rows, layout), (), 0.98, why, (), indices)


def find_compact(columns: list[Column], rows: Rows, layout: TableLayout) -> Clockwork | None:
    """Find stamps of digits alone, such as 20260514103000, or a day 20260514 with a time 103000 beside it."""
    numbers = [c for c in columns if c.kind == "number" and _is_whole(c)]
    if not any(float(c.finite[0]) >= _LEAST_DAY for c in numbers):
        return None
    for letter in ("S", "M"):
        for column in numbers:
            if (
                _is_stamp(column, letter)
                and is_clock_like(column)
                and column.label.quantity not in {"energy", "charge"}
            ):
                return _made("wall clock", [column], letter, rows, layout, "date and time of each row as digits alone")
    day = next(
        (c for c in numbers if _is_stamp(c, "D") and c.label.quantity in {None, "date", "wall_clock", "elapsed"}), None
    )
    if day is None:
        return None
    for time in numbers:
        if abs(time.index - day.index) == 1 and time is not day and _is_time(time):
            return _made("wall clock", [day, time], "DT", rows, layout, "day and time of day as digits alone")
    return None


def _is_whole(column: Column) -> bool:
    values = column.finite
    return (
        bool(len(values))
        and bool((values[:1] == np.floor(values[:1])).all())
        and bool((values == np.floor(values)).all())
    )


def _is_stamp(column: Column, letter: str) -> bool:
    scale = 10.0 ** (COMPACT[letter] - 8)
    values = column.finite
    date, rest = np.floor(values / scale), values % scale
    month, day = np.floor(date / 100) % 100, date % 100
    good = (date >= _LEAST_DAY) & (date <= 21001231) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    if letter in {"S", "M"}:
        h, m = np.floor(rest / (scale / 100)), np.floor(rest / (scale / 1e4)) % 100
        good &= (h < 24) & (m < 60) & ((rest % 100 < 61) if letter == "S" else True)
    return bool(good.all())


def _is_time(column: Column) -> bool:
    values = column.finite
    good = (values >= 0) & (values < 240000) & (np.floor(values / 100) % 100 < 60) & (values % 100 < 60)
    said = column.label.quantity in {None, "elapsed", "wall_clock"}
    return said and bool(good.all()) and (np.diff(values) >= 0).mean() > 0.9
