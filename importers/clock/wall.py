"""Clocks that give a date: one column or two, seconds since 1970, a spreadsheet's days.

Knows columns and notation of dates.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import polars as pl

from importers.clock.clockwork import UNIT_WORDS, UNIX_SIZES, Clockwork, is_clock_like, read_texts, readings
from importers.clock.dialects import tidy
from importers.clock.forms import ClockForm, TextClock
from importers.decide.columns import Column
from importers.decide.plan import Choice, Question
from importers.text.rowset import Rows, name_of
from importers.text.shape import TableLayout

__all__ = ["find_wall_clock"]


def find_wall_clock(
    columns: list[Column], rows: Rows, layout: TableLayout, answers: Mapping[str, str], day_first: str
) -> Clockwork | None:
    """Find dates with times, in one column or two, or numbers that are dates; None where there are none."""
    texts = {c.index: read_texts(c, rows, day_first) for c in columns if c.kind in {"datetime", "date", "time"}}
    whole = next((c for c in columns if c.index in texts and texts[c.index].kind == "datetime"), None)
    date = next((c for c in columns if c.index in texts and texts[c.index].kind == "date"), None)
    if whole is not None:
        found = texts[whole.index]
        return _dated(found, (whole.index,), whole.name, rows, layout, answers)
    if date is None:
        return _unix(columns, rows, layout)
    times = [c for c in columns if c.index in texts and texts[c.index].kind == "time"]
    times.sort(key=lambda c: (abs(c.index - date.index), c.label.quantity == "elapsed"))
    for time in times:
        form = _time_format_of(time, texts[time.index])
        if form:
            found = replace(
                texts[date.index],
                kind="datetime",
                formats=tuple(f"{d} {form}" for d in texts[date.index].formats),
                has_zone=texts[time.index].has_zone,
                dialect="~" if texts[date.index].dialect or texts[time.index].dialect else "",
            )
            return _dated(found, (date.index, time.index), f"{date.name} + {time.name}", rows, layout, answers)
    return None


def _time_format_of(column: Column, found: TextClock) -> str:
    """Format by strptime of a time of day beside a date."""
    if not found.formats:
        return ""
    if found.formats[0] not in {"h:m:s", "h:m", "m:s", "m:s+"}:
        return found.formats[0]
    if found.formats[0] == "1h2m3s":
        return ""
    first = next((t.strip().strip('"') for t in column.texts if t.strip()), "")
    if found.dialect == ".":
        first = first.replace(".", ":")
    fraction = any("." in t or "," in t or t.count(":") == 3 for t in column.texts)
    if first.count(":") == 1:
        return "%H:%M"
    return "%H:%M:%S" + ("%.f" if fraction else "")


def _dated(
    found: TextClock, indices: tuple[int, ...], name: str, rows: Rows, layout: TableLayout, answers: Mapping[str, str]
) -> Clockwork:
    formats = found.formats
    questions: tuple[Question, ...] = ()
    confidence = 0.99
    by_order = {_order_of(f): f for f in formats}
    if len(formats) > 1:
        given = answers.get("date-order")
        if given in by_order:
            formats = (by_order[given],)
        else:
            confidence = 0.5
            first = next((t for t in rows.cells[name_of(indices[0])].head(1).to_list() if t), "")
            questions = (
                Question(
                    "date-order",
                    f"Dates such as `{first.strip()}` can be read in {len(formats)} ways. Which part comes first?",
                    tuple(
                        Choice(order, f"{order}: {_shown(f, tidy(first) if found.dialect else first)}")
                        for order, f in by_order.items()
                    ),
                    "--answer date-order=" + next(iter(by_order)),
                    column=name,
                    example=f'format = "{found.dialect}{formats[0]}"',
                ),
            )
    form = ClockForm("wall clock", indices, 1e-6, "", found.dialect + formats[0], found.has_zone)
    return Clockwork(
        form,
        None,
        readings(form, rows, layout),
        (),
        confidence,
        f"date and time of each row: {found.reason}",
        questions,
        frozenset(indices),
        reasons=_of_two(indices, found.reason) if len(indices) > 1 else None,
    )


def _of_two(indices: tuple[int, ...], why: str) -> dict[int, str]:
    """Say of a date and of the time beside it what each is."""
    date, time = indices
    return {
        date: f"date of each row: {why}",
        time: f"time of day that goes with the date in column {date + 1}",
    }


def _order_of(form: str) -> str:
    return {"%d": "day-first", "%m": "month-first"}.get(form[:2], "year-first")


def _shown(form: str, text: str) -> str:
    day = pl.Series([text.strip().split(" ")[0].split("T")[0]]).str.to_date(
        form.split(" ", maxsplit=1)[0].split("T", maxsplit=1)[0], strict=False
    )[0]
    return f"{day:%d %B %Y}" if day else "?"


def _unix(columns: list[Column], rows: Rows, layout: TableLayout) -> Clockwork | None:
    """Find seconds, milliseconds or microseconds of 1970, or spreadsheet days, by their size."""
    for column in columns:
        good = column.finite
        if column.kind != "number" or len(good) < 1 or not is_clock_like(column):
            continue
        low, high = float(good.min()), float(good.max())
        for least, most, factor, unit in UNIX_SIZES:
            if least <= low and high <= most and column.label.quantity in {None, "elapsed", "wall_clock", "date"}:
                form = ClockForm("unix", (column.index,), factor, unit)
                why = f"{UNIT_WORDS[unit]} since 1970, by the size of the numbers"
                return Clockwork(form, None, readings(form, rows, layout), (), 0.99, why, (), frozenset({column.index}))
        dated = column.label.quantity in {"wall_clock", "date"} or (
            column.label.quantity == "elapsed" and column.label.unit is None
        )
        is_days = low >= 36000.0 and high <= 62000.0 and high - low < 60.0 and bool((good != np.round(good)).any())
        if is_days and (dated or (column.label.quantity is None and column.label.unit is None)):
            form = ClockForm("serial day", (column.index,), 86400.0, "d")
            why = "a spreadsheet's days since 1900, by the size of the numbers"
            return Clockwork(form, None, readings(form, rows, layout), (), 0.98, why, (), frozenset({column.index}))
    return None
