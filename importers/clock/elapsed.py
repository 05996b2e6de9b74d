"""Clocks that count from the start: elapsed numbers, hours:minutes:seconds, sample numbers with an interval.

Knows columns and the preamble's evidence.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from importers.clock.clockwork import UNIT_WORDS, Array, Clockwork, is_clock_like, is_dated_number, read_texts, readings
from importers.clock.forms import ClockForm
from importers.decide.channels import COMMON_UNITS
from importers.decide.columns import Column
from importers.decide.plan import Choice, Question
from importers.text.preamble import Preamble
from importers.text.rowset import Rows
from importers.text.shape import TableLayout
from importers.vocabulary.words import Unit, Vocabulary

__all__ = ["count_rows", "find_elapsed", "find_sample_number"]


def find_elapsed(
    columns: list[Column],
    rows: Rows,
    layout: TableLayout,
    preamble: Preamble,
    words: Vocabulary,
    answers: Mapping[str, str],
) -> Clockwork | None:
    """Find a column that counts time from the start; None where there is none."""
    wanted = [
        c
        for c in columns
        if c.label.quantity == "elapsed"
        or (c.label.quantity == "wall_clock" and c.kind in {"time", "number"})
        or (c.label.quantity == "sample" and _has_parts(c))
    ]
    paired = any(c.kind in {"date", "datetime"} for c in columns)
    for column in sorted(wanted, key=lambda c: c.label.unit is None):
        if column.kind == "time" and not any(c.kind == "date" for c in columns):
            return _duration(column, rows, layout, answers)
        if column.kind == "number" and is_clock_like(column) and not is_dated_number(column):
            return _numeric(column, rows, layout, preamble, words, answers)
    if not paired:
        for column in columns:
            if column.kind == "time":
                return _duration(column, rows, layout, answers)
    return None


def _duration(column: Column, rows: Rows, layout: TableLayout, answers: Mapping[str, str]) -> Clockwork | None:
    """Read hh:mm:ss and its kin."""
    found = read_texts(column, rows, "")
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
    confidence, why = 0.98, f"{UNIT_WORDS.get(source, source)} as {found.reason}"
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
    form = ClockForm(source, (column.index,), 1.0 if "%" not in formats[0] else 1e-6, "", found.dialect + formats[0])
    raw = readings(form, rows, layout)
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
    column: Column, rows: Rows, layout: TableLayout, preamble: Preamble, words: Vocabulary, answers: Mapping[str, str]
) -> Clockwork:
    form = ClockForm("elapsed", (column.index,))
    raw = readings(form, rows, layout)
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
    if _in_parts_of_seconds(column, raw):
        form = replace(form, factor=1.0, unit="s")
        return Clockwork(form, None, raw, (), 0.96, "elapsed time in s: it advances by even parts of one", (), used)
    return Clockwork(form, None, raw, units, 0.6, "elapsed time: it only ever advances", (), used)


def _has_parts(column: Column) -> bool:
    """Tell time under the name of a number: `0, 0.5, 1 ...` numbers nothing."""
    good = column.finite
    return column.kind == "number" and bool((good != np.round(good)).any())


def _in_parts_of_seconds(column: Column, raw: Array) -> bool:
    """Tell even steps of tenths, quarters or halves, written with few decimals: so seconds are counted, not minutes."""
    good = raw[np.isfinite(raw)]
    steps = np.diff(good)
    if len(steps) < 3 or float(np.ptp(steps)) > 1e-6 * max(1.0, float(np.abs(good).max())):
        return False
    decimals = max(len(t.strip().replace(",", ".").partition(".")[2]) for t in column.texts[:20])
    return decimals <= 2 and any(abs(abs(float(steps[0])) - s) < 1e-9 for s in (0.05, 0.1, 0.2, 0.25, 0.5))


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


def find_sample_number(
    columns: list[Column], rows: Rows, layout: TableLayout, preamble: Preamble, answers: Mapping[str, str]
) -> Clockwork | None:
    """Use a sample number with the preamble's interval or the tester's; ask where there is none."""
    column = next((c for c in columns if c.kind == "number" and c.label.quantity == "sample"), None)
    if column is None:
        column = next((c for c in columns if c.kind == "number" and c.label.quantity is None and _counts_up(c)), None)
    if column is None:
        return None
    interval = _answered_interval(answers)
    why = "counts the samples; the time between them is as answered"
    if interval is None and preamble.interval_s is not None:
        interval = preamble.interval_s
        why = f"counts the samples; {preamble.reason} above the table gives the time between them"
    questions: tuple[Question, ...] = ()
    if interval is None:
        text = f"Column `{column.name}` numbers the samples, and the time between them is not stated. How many seconds?"
        questions = (_which_interval(text, column.name),)
        why = "counts the samples; the time between them is not stated"
    form = ClockForm("sample number", (column.index,), interval_s=interval)
    raw = readings(form, rows, layout)
    used = frozenset({column.index})
    return Clockwork(form, None, raw, (), 0.98 if interval else 0.5, why, questions, used)


def _which_interval(text: str, column: str | None) -> Question:
    return Question("interval", text, (), "--answer interval=1", column=column, example="interval_s = 1.0")


def _answered_interval(answers: Mapping[str, str]) -> float | None:
    given = answers.get("interval", "")
    return float(given.replace(",", ".")) if given else None


def count_rows(columns: list[Column], rows: Rows, preamble: Preamble, answers: Mapping[str, str]) -> Clockwork | None:
    """Count the rows of a table of readings that has no clock at all, by an interval that is stated or asked."""
    interval = _answered_interval(answers)
    why = "no column is a clock; the rows are counted, with the time between them as answered"
    if interval is None and preamble.interval_s is not None:
        interval = preamble.interval_s
        why = (
            f"no column is a clock; the rows are counted: {preamble.reason} above the table gives the time between them"
        )
    is_measured = any(c.kind == "number" and c.label.quantity in {"voltage", "current", "power"} for c in columns)
    if interval is None and (not is_measured or any(c.kind in {"date", "time", "datetime"} for c in columns)):
        return None
    questions: tuple[Question, ...] = ()
    if interval is None:
        why = "no column is a clock; the rows are counted"
        names = ", ".join(f"`{c.name}`" for c in columns[:8])
        text = (
            f"No column is a clock: {names}. How many seconds lie between two rows? Or name the clock with "
            "--answer clock-column=N."
        )
        questions = (_which_interval(text, None),)
    form = ClockForm("sample number", (), interval_s=interval)
    raw = np.arange(rows.cells.height, dtype=np.float64) * (interval or 1.0)
    return Clockwork(form, None, raw, (), 0.96 if interval else 0.5, why, questions, frozenset())


def _counts_up(column: Column) -> bool:
    good = column.finite
    if any(c in t for t in column.texts[:20] for c in ".,"):
        return False  # `0.0, 1.0, 2.0` is time
    return len(good) > 2 and bool((np.diff(good) == 1.0).mean() > 0.95)
