"""Which columns are the clock, in what form and unit: candidates by label and by numbers, with the reason.

Knows columns and the preamble's evidence. Units that only physics can tell are left open for `decide`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from importers.channels import COMMON_UNITS
from importers.clock import ClockForm, TextClock, read_clock_text, to_clock
from importers.columns import Column
from importers.plan import Choice, Question
from importers.preamble import Preamble
from importers.rows import Rows, name_of
from importers.shape import Layout
from importers.words import Unit, Vocabulary

__all__ = ["Clockwork", "choose_clock", "clock_candidates"]

Array = npt.NDArray[np.float64]


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


def choose_clock(
    columns: list[Column],
    rows: Rows,
    layout: Layout,
    preamble: Preamble,
    words: Vocabulary,
    answers: Mapping[str, str],
    day_first: str,
) -> Clockwork:
    """Choose the clock among the columns."""
    wall = _wall_clock(columns, rows, layout, answers, day_first)
    elapsed = _elapsed(columns, rows, layout, preamble, words, answers)
    if elapsed is None and wall is None:
        elapsed = _sample_number(columns, rows, layout, preamble, answers)
    if elapsed is None and wall is None:
        return Clockwork(None, None, np.empty(0))
    if elapsed is None or elapsed.form is None:
        assert wall is not None  # noqa: S101 - one of both is there
        return wall
    if wall is None or wall.form is None:
        return elapsed
    return _both(elapsed, wall)


def _both(elapsed: Clockwork, wall: Clockwork) -> Clockwork:
    """Take the finer elapsed clock, dated by the wall clock, which also tells the elapsed clock's unit."""
    span_wall, span = _span(wall.raw) / 1e6, _span(elapsed.raw)
    if elapsed.form is None or wall.form is None or wall.form.source == "time of day" or span_wall <= 0 or span <= 0:
        return replace(elapsed, date_form=None) if elapsed.form else wall
    units = elapsed.open_units
    tolerance = 0.02 * span_wall + 2.5
    if units:
        fitting = tuple(u for u in units if abs(span * u.factor - span_wall) < tolerance)
        if len(fitting) == 1:
            unit = fitting[0]
            return replace(
                elapsed,
                form=replace(elapsed.form, factor=unit.factor, unit=unit.symbol),
                date_form=wall.form,
                raw=elapsed.raw * unit.factor,
                open_units=(),
                confidence=0.98,
                reason=f"{elapsed.reason}; in {unit.symbol}, as the date column beside it advances",
                used=elapsed.used | wall.used,
                questions=wall.questions,
                reasons=_merge(elapsed, wall),
            )
    elif abs(span - span_wall) < tolerance:
        return replace(
            elapsed,
            date_form=wall.form,
            confidence=0.99,
            reason=f"{elapsed.reason}; agrees with the date column beside it",
            used=elapsed.used | wall.used,
            questions=(*elapsed.questions, *wall.questions),
            reasons=_merge(elapsed, wall),
        )
    # The two disagree: the wall clock says what it is by itself.
    return replace(wall, note="A second clock column does not advance like the dates and is not used.")


def _merge(elapsed: Clockwork, wall: Clockwork) -> dict[int, str]:
    return {**dict.fromkeys(wall.used, f"gives the run's start: {wall.reason}"), **dict(elapsed.reasons or {})}


def _span(raw: Array) -> float:
    good = raw[np.isfinite(raw)]
    return (
        float(np.abs(np.diff(good)).sum())
        if len(good) > 1 and (np.diff(good) >= 0).mean() > 0.99
        else (float(good.max() - good.min()) if len(good) else 0.0)
    )


def _cells(rows: Rows, indices: tuple[int, ...]) -> list[pl.Series]:
    return [rows.cells[name_of(i)] for i in indices]


def _array(form: ClockForm, rows: Rows, layout: Layout) -> Array:
    clock = to_clock(form, _cells(rows, form.columns), layout.decimal)
    return clock.cast(pl.Float64).fill_null(float("nan")).to_numpy()


def _wall_clock(
    columns: list[Column], rows: Rows, layout: Layout, answers: Mapping[str, str], day_first: str
) -> Clockwork | None:
    texts = {c.index: _read_text(c, rows, day_first) for c in columns if c.kind in {"datetime", "date", "time"}}
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
            )
            return _dated(found, (date.index, time.index), f"{date.name} + {time.name}", rows, layout, answers)
    return None


def _read_text(column: Column, rows: Rows, day_first: str) -> TextClock:
    cells = rows.cells[name_of(column.index)]
    height = len(cells)
    spread = cells.gather_every(max(1, height // 200)).drop_nulls().to_list() if height > 100 else []
    return read_clock_text([*column.texts, *spread], day_first=day_first)


def _time_format_of(column: Column, found: TextClock) -> str:
    """Format by strptime of a time of day beside a date."""
    if not found.formats:
        return ""
    if found.formats[0] not in {"h:m:s", "h:m", "m:s", "m:s+"}:
        return found.formats[0]
    first = next((t.strip().strip('"') for t in column.texts if t.strip()), "")
    fraction = any("." in t or "," in t or t.count(":") == 3 for t in column.texts)
    if first.count(":") == 1:
        return "%H:%M"
    return "%H:%M:%S" + ("%.f" if fraction else "")


def _dated(
    found: TextClock, indices: tuple[int, ...], name: str, rows: Rows, layout: Layout, answers: Mapping[str, str]
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
                    tuple(Choice(order, f"{order}: {_shown(f, first)}") for order, f in by_order.items()),
                    "--answer date-order=" + next(iter(by_order)),
                    column=name,
                    example=f'format = "{formats[0]}"',
                ),
            )
    form = ClockForm("wall clock", indices, 1e-6, "", formats[0], found.has_zone)
    return Clockwork(
        form,
        None,
        _array(form, rows, layout),
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


def _is_clock_like(column: Column) -> bool:
    """Tell whether numbers advance like a clock, but for few restarts."""
    good = column.finite
    if len(good) < 2:
        return len(good) == 1
    steps = np.diff(good)
    return bool((steps >= 0).mean() > 0.9 or (steps <= 0).mean() > 0.9) and bool((steps != 0).any())


def clock_candidates(columns: list[Column]) -> list[Column]:
    """Columns without a name that only ever advance: one of them may be the clock."""
    return [c for c in columns if c.kind == "number" and c.label.quantity is None and _is_clock_like(c)]


_WORDS = {"elapsed": "time", "s": "seconds", "ms": "milliseconds", "µs": "microseconds", "ns": "nanoseconds"}
_UNIX = ((1e9, 2.6e9, 1.0, "s"), (1e12, 2.6e12, 1e-3, "ms"), (1e15, 2.6e15, 1e-6, "µs"), (1e18, 2.6e18, 1e-9, "ns"))


def _unix(columns: list[Column], rows: Rows, layout: Layout) -> Clockwork | None:
    """Find seconds, milliseconds or microseconds of 1970, or spreadsheet days, by their size."""
    for column in columns:
        good = column.finite
        if column.kind != "number" or len(good) < 1 or not _is_clock_like(column):
            continue
        low, high = float(good.min()), float(good.max())
        for least, most, factor, unit in _UNIX:
            if least <= low and high <= most and column.label.quantity in {None, "elapsed", "wall_clock", "date"}:
                form = ClockForm("unix", (column.index,), factor, unit)
                why = f"{_WORDS[unit]} since 1970, by the size of the numbers"
                return Clockwork(form, None, _array(form, rows, layout), (), 0.99, why, (), frozenset({column.index}))
        dated = column.label.quantity in {"wall_clock", "date"} or (
            column.label.quantity == "elapsed" and column.label.unit is None
        )
        is_days = low >= 36000.0 and high <= 62000.0 and high - low < 60.0 and bool((good != np.round(good)).any())
        if is_days and (dated or (column.label.quantity is None and column.label.unit is None)):
            form = ClockForm("serial day", (column.index,), 86400.0, "d")
            why = "a spreadsheet's days since 1900, by the size of the numbers"
            return Clockwork(form, None, _array(form, rows, layout), (), 0.98, why, (), frozenset({column.index}))
    return None


def _elapsed(
    columns: list[Column], rows: Rows, layout: Layout, preamble: Preamble, words: Vocabulary, answers: Mapping[str, str]
) -> Clockwork | None:
    wanted = [
        c
        for c in columns
        if c.label.quantity == "elapsed" or (c.label.quantity == "wall_clock" and c.kind in {"time", "number"})
    ]
    paired = any(c.kind in {"date", "datetime"} for c in columns)
    for column in sorted(wanted, key=lambda c: c.label.unit is None):
        if column.kind == "time" and not any(c.kind == "date" for c in columns):
            return _duration(column, rows, layout, answers)
        if column.kind == "number" and _is_clock_like(column) and not _is_dated_number(column):
            return _numeric(column, rows, layout, preamble, words, answers)
    if not paired:
        for column in columns:
            if column.kind == "time":
                return _duration(column, rows, layout, answers)
    return None


def _is_dated_number(column: Column) -> bool:
    good = column.finite
    low, high = float(good.min()), float(good.max())
    if any(least <= low and high <= most for least, most, _, _ in _UNIX):
        return True
    return (
        column.label.unit is None
        and low >= 36000.0
        and high <= 62000.0
        and high - low < 60
        and bool((good != np.round(good)).any())
    )


def _duration(column: Column, rows: Rows, layout: Layout, answers: Mapping[str, str]) -> Clockwork | None:
    """Read hh:mm:ss and its kin."""
    found = _read_text(column, rows, "")
    if found.kind != "time":
        return None
    said = column.label.clock_form.lower().replace(" ", "")
    formats = found.formats
    if len(formats) > 1:
        if said.startswith("mm:ss"):
            formats = ("m:s",)
        elif said.startswith(("hh:mm", "h:mm")):
            formats = ("h:m",)
    source = "time of day" if column.label.quantity == "wall_clock" or "%" in formats[0] else "elapsed"
    questions: tuple[Question, ...] = ()
    confidence, why = 0.98, f"{_WORDS.get(source, source)} as {found.reason}"
    if len(formats) > 1:
        given = {"hours:minutes": "h:m", "minutes:seconds": "m:s"}.get(answers.get("clock-parts", ""))
        if given:
            formats = (given,)
        else:
            confidence = 0.5
            questions = (
                Question(
                    "clock-parts",
                    f"Column `{column.name}` holds times of two parts, such as `{column.texts[0].strip()}`. "
                    "What are they?",
                    (Choice("hours:minutes", "hours and minutes"), Choice("minutes:seconds", "minutes and seconds")),
                    "--answer clock-parts=minutes:seconds",
                    column=column.name,
                    example='format = "m:s"',
                ),
            )
    form = ClockForm(source, (column.index,), 1.0 if "%" not in formats[0] else 1e-6, "", formats[0])
    raw = _array(form, rows, layout)
    return Clockwork(
        form,
        None,
        raw * (1e-6 if "%" in formats[0] else 1.0),
        (),
        confidence,
        why,
        questions,
        frozenset({column.index}),
    )


def _numeric(
    column: Column, rows: Rows, layout: Layout, preamble: Preamble, words: Vocabulary, answers: Mapping[str, str]
) -> Clockwork:
    form = ClockForm("elapsed", (column.index,))
    raw = _array(form, rows, layout)
    used = frozenset({column.index})
    unit = column.label.unit
    given = words.unit(answers["time-unit"]) if "time-unit" in answers else None
    if given is not None and given[0].quantity == "time":
        unit = given[0]
    if unit is None and column.cell_units:
        found = words.unit(column.cell_units[0])
        unit = found[0] if found is not None and found[0].quantity == "time" else None
    if unit is not None and unit.quantity == "time":
        form = replace(form, factor=unit.factor, unit=unit.symbol)
        why = f"elapsed time in {unit.symbol}: named so, and it only ever advances"
        return Clockwork(form, None, raw * unit.factor, (), 0.98, why, (), used)
    units = tuple(words.units[u] for u in COMMON_UNITS["time"])
    if preamble.interval_s is not None or preamble.duration_s is not None:
        settled = _by_preamble(raw, units, preamble)
        if settled is not None:
            form = replace(form, factor=settled.factor, unit=settled.symbol)
            why = f"elapsed time in {settled.symbol}, as the interval or duration above the table says"
            return Clockwork(form, None, raw * settled.factor, (), 0.98, why, (), used)
    return Clockwork(form, None, raw, units, 0.6, "elapsed time: it only ever advances", (), used)


def _by_preamble(raw: Array, units: tuple[Unit, ...], preamble: Preamble) -> Unit | None:
    good = raw[np.isfinite(raw)]
    steps = np.abs(np.diff(good))
    steps = steps[steps > 0]
    if len(steps) == 0:
        return None
    if preamble.interval_s is not None:
        fitting = [u for u in units if 0.8 < float(np.median(steps)) * u.factor / preamble.interval_s < 1.25]
    else:
        fitting = [
            u for u in units if 0.9 < float(good.max() - good.min()) * u.factor / (preamble.duration_s or 1.0) < 1.1
        ]
    return fitting[0] if len(fitting) == 1 else None


def _sample_number(
    columns: list[Column], rows: Rows, layout: Layout, preamble: Preamble, answers: Mapping[str, str]
) -> Clockwork | None:
    """Use a sample number with the preamble's interval or the tester's; ask where there is none."""
    column = next((c for c in columns if c.kind == "number" and c.label.quantity == "sample"), None)
    if column is None:
        column = next((c for c in columns if c.kind == "number" and c.label.quantity is None and _counts_up(c)), None)
    if column is None:
        return None
    interval, why = (
        preamble.interval_s,
        f"counts the samples; {preamble.reason} above the table gives the time between them",
    )
    try:
        if "interval" in answers:
            interval, why = (
                float(answers["interval"].replace(",", ".").rstrip(" s")),
                "counts the samples; the time between them is as answered",
            )
    except ValueError:
        interval = None
    questions: tuple[Question, ...] = ()
    if interval is None or not np.isfinite(interval) or interval <= 0:
        interval = None
        questions = (
            Question(
                "interval",
                f"Column `{column.name}` numbers the samples, and nothing tells the time between them. How "
                "many seconds?",
                (),
                "--answer interval=1",
                column=column.name,
                example="interval_s = 1.0",
            ),
        )
    form = ClockForm("sample number", (column.index,), interval_s=interval)
    raw = _array(form, rows, layout)
    return Clockwork(
        form,
        None,
        raw,
        (),
        0.98 if interval else 0.5,
        why if interval else "counts the samples; nothing tells the time between them",
        questions,
        frozenset({column.index}),
    )


def _counts_up(column: Column) -> bool:
    good = column.finite
    return len(good) > 2 and bool((np.diff(good) == 1.0).mean() > 0.95)
