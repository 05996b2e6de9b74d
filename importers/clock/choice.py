"""Which columns are the clock: dates, elapsed time or sample numbers, and what two of them say of each other.

Composes `wall_clock` and `elapsed_clock`. Units that only physics can tell are left open for `decide`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from importers.clock.clockwork import Array, Clockwork
from importers.clock.elapsed import find_elapsed, find_sample_number
from importers.clock.parts import find_compact, find_parts
from importers.clock.wall import find_wall_clock
from importers.decide.columns import Column
from importers.text.preamble import Preamble
from importers.text.rowset import Rows
from importers.text.shape import TableLayout
from importers.vocabulary.words import Vocabulary

__all__ = ["choose_clock"]


def choose_clock(
    columns: list[Column],
    rows: Rows,
    layout: TableLayout,
    preamble: Preamble,
    words: Vocabulary,
    answers: Mapping[str, str],
    day_first: str,
) -> Clockwork:
    """Choose the clock among the columns."""
    parts = find_parts(columns, rows, layout, day_first) or find_compact(columns, rows, layout)
    used = parts.used if parts is not None else frozenset()
    rest = [c for c in columns if c.index not in used]
    is_dated = parts is not None and parts.form is not None and parts.form.source == "wall clock"
    wall = parts if is_dated else find_wall_clock(rest, rows, layout, answers, day_first)
    elapsed = find_elapsed(rest, rows, layout, preamble, words, answers)
    if elapsed is None and not is_dated:
        elapsed = parts
    if elapsed is None and wall is None:
        elapsed = find_sample_number(columns, rows, layout, preamble, answers)
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
