"""A file and its plan -> runs: pieces of text, cells, channels, time; pushed to a sink in bounded memory.

Knows plans, rows and timelines. Decides nothing about columns: that is `decide`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import partial

import numpy as np
import numpy.typing as npt
import polars as pl

from importers.bytesview import Piece
from importers.cells import to_numbers
from importers.clock import to_clock, utc_microseconds
from importers.errors import ImportRefused
from importers.plan import ColumnPlan, Plan, RunPlan
from importers.rows import Rows, Tally, name_of, read_rows
from importers.schema import (
    CHANNEL_NAMES,
    ClockReading,
    Conversion,
    Facts,
    ImportedRun,
    ImportSink,
    Problem,
    RunSink,
    RunStart,
)
from importers.shape import is_end_mark
from importers.timeline import Timeline
from importers.words import Vocabulary

__all__ = ["Outcome", "read_runs"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_HOLD = 512 << 20
"""Text of a file with its last sample first [bytes] that is kept in memory."""
_BAD_SHARE = 0.2
"""Share of cells that may be no numbers before a column counts as misread (chosen by us)."""
_KINDS_OUT = frozenset({"discharge", "regulation", "overload", "light-load"})


@dataclass(slots=True)
class Outcome:
    """What reading found."""

    runs: list[ImportedRun]
    tally: Tally
    samples: int


@dataclass(slots=True)
class _Part:
    """One port of a file, being read."""

    plan: RunPlan
    port: str | None
    timeline: Timeline
    channels: tuple[str, ...]
    direction: str | None
    number: int
    """1-based number of the log within the file: counts up at each restart."""
    sink: RunSink | None = None
    start: RunStart | None = None
    pending: list[pl.DataFrame] = field(default_factory=list)
    pending_raw: list[npt.NDArray[np.float64]] = field(default_factory=list)
    pending_lines: list[npt.NDArray[np.uint32]] = field(default_factory=list)
    samples: int = 0
    t_zero: float | None = None
    t_last: float = -np.inf
    started_us: int | None = None
    filled: set[str] = field(default_factory=set)


class _Reader:
    """Reads one file by one plan."""

    def __init__(
        self, plan: Plan, words: Vocabulary, sink: ImportSink, facts: Facts, answers: Mapping[str, str], file: str
    ) -> None:
        self.plan, self.words, self.sink, self.facts, self.answers, self.file = plan, words, sink, facts, answers, file
        self.tally = Tally()
        self.runs: list[ImportedRun] = []
        self.parts: dict[tuple[str | None, int], _Part] = {}
        self.origin_us: int | None = None
        self.origin_s: float | None = None
        self.logs: dict[int, int] = {}
        self.first_date: dict[str | None, int] = {}
        self.samples = 0
        self.held: list[tuple[Rows, npt.NDArray[np.float64], dict[int, pl.Series]]] = []
        self.held_bytes = 0
        self.left_out: set[int] = set()
        self.seen: dict[int, tuple[int, int]] = {}
        clock = set(plan.clock.columns) | set(plan.date_clock.columns if plan.date_clock else ())
        measured = {c.index for run in plan.runs for c in run.columns}
        self.numeric = frozenset(c.index for run in plan.runs for c in run.columns if not c.cell_units) | (
            frozenset(plan.clock.columns) if not plan.clock.format else frozenset()
        )
        extra = {plan.port_column} if plan.port_column is not None else set()
        self.used = frozenset(clock | measured | extra)
        self.numeric -= frozenset(extra)

    # -- pieces ----------------------------------------------------------------------------------------------------

    def piece(self, piece: Piece) -> None:
        """Take the next piece of text."""
        rows = read_rows(piece, self.plan.layout, self.numeric, self.words, self.tally, used=self.used)
        if rows.cells.height == 0:
            return
        raw = self._clock(rows)
        channels = self._channels(rows)
        good = np.isfinite(raw)
        if not good.all():
            self._bad_clock(rows, good | self._totals(rows, good))
        if self.plan.clock.is_descending:
            self._hold(piece, rows, raw, channels)
            return
        self._take_rows(rows, raw, channels)

    def _hold(self, piece: Piece, rows: Rows, raw: npt.NDArray[np.float64], channels: dict[int, pl.Series]) -> None:
        """Keep a piece until the file's end: its last sample is the run's first."""
        self.held_bytes += len(piece.text)
        if self.held_bytes > _HOLD:
            raise ImportRefused.because(
                "descending-large",
                f"{self.file} holds its last sample first and is larger than {_HOLD >> 20} MB. Sort it by time first.",
                file=self.file,
            )
        rows, raw, channels = _reversed(rows, raw, channels)
        wanted = set(self.plan.date_clock.columns if self.plan.date_clock else ()) | {self.plan.port_column}
        kept = rows.cells.select(name_of(i) for i in sorted(w for w in wanted if w is not None))
        self.held.append((replace(rows, cells=kept), raw, channels))

    def _take_rows(self, rows: Rows, raw: npt.NDArray[np.float64], channels: dict[int, pl.Series]) -> None:
        """Take rows in order of time."""
        good = np.isfinite(raw)
        self._dates(rows)
        if self.plan.port_column is not None:
            self._by_port(rows, raw, channels, good)
        else:
            self._by_run(rows, raw, channels, good)

    def _clock(self, rows: Rows) -> npt.NDArray[np.float64]:
        """Clock readings in seconds from the file's first, NaN where a cell can't be read."""
        form = self.plan.clock
        series = to_clock(form, [rows.cells[name_of(i)] for i in form.columns], self.plan.layout.decimal)
        if series.dtype == pl.Int64:
            if self.origin_us is None:
                first = series.drop_nulls().head(1)
                self.origin_us = int(first[0]) if len(first) else None
            moved = (series - (self.origin_us or 0)).cast(pl.Float64) * 1e-6
            return moved.fill_null(float("nan")).to_numpy()
        return series.fill_null(float("nan")).to_numpy() if series.null_count() else series.to_numpy()

    def _channels(self, rows: Rows) -> dict[int, pl.Series]:
        """Every measured column as Float64 in the file's unit; cells that are no numbers are noted."""
        found: dict[int, pl.Series] = {}
        for column in {c.index: c for run in self.plan.runs for c in run.columns}.values():
            cells = rows.cells[name_of(column.index)]
            numbers = to_numbers(
                cells, self.plan.layout.decimal, self.plan.layout.thousands, self.words, dict(column.cell_units) or None
            )
            found[column.index] = numbers.values
            filled, bad = self.seen.get(column.index, (0, 0))
            count = len(numbers.values) - numbers.values.null_count()
            self.seen[column.index] = (filled + count, bad + len(numbers.bad))
            if numbers.bad or numbers.overload:
                self._bad_cells(column, rows, cells, numbers.bad, numbers.overload)
        return found

    def _bad_cells(
        self, column: ColumnPlan, rows: Rows, cells: pl.Series, bad: tuple[int, ...], overload: tuple[int, ...]
    ) -> None:
        for code, places, what in (
            ("not-a-number", bad, "is not a number; the cell is left empty"),
            ("overload", overload, "says that the meter was over its range; the cell is left empty"),
        ):
            if places:
                line, raw = rows.line_of(places[0]), str(cells[places[0]]).strip()
                more = f" {len(places)} such cells." if len(places) > 1 else ""
                message = f"Line {line:,}, column `{column.name}`: `{raw}` {what}.{more}"
                self.tally.note(
                    Problem(code, "warning", message, self.file, line, column.name, raw, len(places)), limit=5
                )

    def _totals(self, rows: Rows, good: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
        """Count lines whose clock cell is a word for a total or an end: they are no problem."""
        found = np.zeros(len(good), bool)
        column = rows.cells[name_of(self.plan.clock.columns[0])]
        if column.dtype == pl.String:
            for row in np.flatnonzero(~good):
                text = column[int(row)] or ""
                found[row] = any(c.isalpha() for c in text) and is_end_mark([text], self.words)
            self.tally.totals += int(found.sum())
        return found

    def _bad_clock(self, rows: Rows, good: npt.NDArray[np.bool_]) -> None:
        places = np.flatnonzero(~good)
        if len(places) == 0:
            return
        self.tally.problems += len(places)
        line = rows.line_of(int(places[0]))
        column = self.plan.columns[self.plan.clock.columns[0]].name
        raw = str(rows.cells[name_of(self.plan.clock.columns[0])][int(places[0])])
        more = f" {len(places)} such lines." if len(places) > 1 else ""
        message = f"Line {line:,}, column `{column}`: `{raw}` is no clock reading. The line is left out.{more}"
        self.tally.note(Problem("bad-clock", "warning", message, self.file, line, column, raw, len(places)), limit=5)

    def _dates(self, rows: Rows) -> None:
        """Note the first date beside an elapsed clock."""
        if self.plan.date_clock is None or None in self.first_date:
            return
        series = to_clock(
            self.plan.date_clock,
            [rows.cells[name_of(i)] for i in self.plan.date_clock.columns],
            self.plan.layout.decimal,
        )
        if series.len() and series[0] is not None:
            self.first_date[None] = int(series[0])

    # -- ports -----------------------------------------------------------------------------------------------------

    def _by_port(
        self, rows: Rows, raw: npt.NDArray[np.float64], channels: dict[int, pl.Series], good: npt.NDArray[np.bool_]
    ) -> None:
        cells = rows.cells[name_of(self.plan.port_column or 0)].cast(pl.String).fill_null("").str.strip_chars(" \"'\t")
        for port in cells.unique(maintain_order=True).to_list():
            here = (cells == port).to_numpy() & good
            if here.any():
                self._take(self._part(0, _port_name(port)), rows, raw, channels, here)

    def _by_run(
        self, rows: Rows, raw: npt.NDArray[np.float64], channels: dict[int, pl.Series], good: npt.NDArray[np.bool_]
    ) -> None:
        for number, run in enumerate(self.plan.runs):
            self._take(self._part(number, run.port), rows, raw, channels, good)

    def _part(self, number: int, port: str | None) -> _Part:
        key = (port, number)
        if key not in self.parts:
            run = self.plan.runs[number]
            clock = self.plan.clock
            timeline = Timeline(
                clock.source if clock.source != "unix" else "unix",
                self.plan.step_s,
                restart=self.answers.get("restart", ""),
                is_clock_change=self._is_clock_change,
            )
            channels = tuple(c.channel for c in run.columns if c.channel)
            self.parts[key] = _Part(run, port, timeline, channels, self._direction(run), 1)
        return self.parts[key]

    def _direction(self, run: RunPlan) -> str | None:
        """Direction, with the tester's kind before the file's guess; signs are such that its main flow is positive."""
        if run.port == "mains":
            return run.direction
        if self.facts.kind == "recharge":
            return "in"
        return "out" if self.facts.kind in _KINDS_OUT else run.direction

    def _is_clock_change(self, before: float, after: float) -> bool:
        if self.origin_us is None or self.plan.clock.has_zone:
            return False
        a = utc_microseconds(self.origin_us + round(before * 1e6), self.plan.zone)
        b = utc_microseconds(self.origin_us + round(after * 1e6), self.plan.zone)
        return a is not None and b is not None and (b - a) / 1e6 < after - before - 1800.0

    # -- one port --------------------------------------------------------------------------------------------------

    def _take(
        self,
        part: _Part,
        rows: Rows,
        raw: npt.NDArray[np.float64],
        channels: dict[int, pl.Series],
        here: npt.NDArray[np.bool_],
    ) -> None:
        frame = self._frame(part, channels)
        lines = (
            np.arange(rows.lines, rows.lines + len(raw), dtype=np.uint32)
            if isinstance(rows.lines, int)
            else rows.lines.to_numpy()
        )
        headers = rows.restarts
        if not here.all():
            frame, raw, lines = frame.filter(pl.Series(here)), raw[here], lines[here]
            headers = tuple(int(here[:h].sum()) for h in headers)
        held = sum(len(r) for r in part.pending_raw)
        part.pending.append(frame)
        part.pending_raw.append(raw)
        part.pending_lines.append(lines)
        self._settle(part, frozenset(h + held for h in headers), is_final=False)

    def _frame(self, part: _Part, channels: dict[int, pl.Series]) -> pl.DataFrame:
        """Columns of one port in channel units."""
        columns = []
        for plan in part.plan.columns:
            if plan.channel is None:
                continue
            values = channels[plan.index]
            if plan.factor != 1.0:
                values = values * plan.factor
            if plan.offset:
                values = values + plan.offset
            columns.append(values.alias(plan.channel))
        frame = pl.DataFrame(columns)
        if part.plan.follow_current and {"power_w", "current_a"} <= set(frame.columns):
            frame = frame.with_columns(
                pl.when(pl.col("current_a") < 0)
                .then(-pl.col("power_w").abs())
                .otherwise(pl.col("power_w"))
                .alias("power_w")
            )
        return frame

    def _settle(self, part: _Part, headers: frozenset[int], *, is_final: bool) -> None:
        """Settle pending rows and write those that are final."""
        while True:
            raw = np.concatenate(part.pending_raw) if len(part.pending_raw) != 1 else part.pending_raw[0]
            frame = pl.concat(part.pending) if len(part.pending) != 1 else part.pending[0]
            lines = np.concatenate(part.pending_lines) if len(part.pending_lines) != 1 else part.pending_lines[0]
            settled = part.timeline.feed(raw, partial(_counters_restart, frame), headers, is_final=is_final)
            self._note(part, lines)
            done = settled.rows
            if done:
                self._write(part, settled.t, frame.head(done))
            part.pending, part.pending_raw, part.pending_lines = [frame.slice(done)], [raw[done:]], [lines[done:]]
            if settled.new_run_at is None:
                return
            headers = frozenset(h - done for h in headers)
            self._next_log(part, lines[done])

    def _note(self, part: _Part, lines: npt.NDArray[np.uint32]) -> None:
        for row, problem in part.timeline.problems:
            if problem.severity == "error":
                raise ImportRefused([replace(problem, file=self.file, line=int(lines[row]))])
            line = int(lines[row])
            if line in self.left_out:  # another port's part of the same line
                continue
            self.left_out.add(line)
            self.tally.problems += 1
            self.tally.note(replace(problem, file=self.file, line=line, message=f"Line {line:,}: {problem.message}"))
        part.timeline.problems.clear()

    def _next_log(self, part: _Part, line: int) -> None:
        """Close the run and begin the next: the clock and the counters started again."""
        self._close(part)
        message = f"Line {int(line):,}: clock and counters start again, so a new run begins here."
        self.tally.note(Problem("new-log", "warning", message, self.file, int(line)))
        part.timeline = Timeline(
            part.timeline.source, part.timeline.step_s, part.timeline.restart, part.timeline.is_clock_change
        )
        part.number += 1
        part.sink = part.start = part.t_zero = None
        part.t_last = -np.inf
        part.samples = 0
        part.filled = set()

    def _write(self, part: _Part, t: npt.NDArray[np.float64], frame: pl.DataFrame) -> None:
        good = np.isfinite(t)
        if not good.all():
            frame, t = frame.filter(pl.Series(good)), t[good]
        if len(t) == 0:
            return
        if part.sink is None:
            part.t_zero = float(t[0])
            part.start = self._start(part)
            part.sink = self.sink.open_run(part.start)
        if not (np.diff(t, prepend=part.t_last) > 0).all():
            raise ImportRefused.because(
                "not-a-clock",
                f"The clock of {self.file} does not advance from line to line. Name another time column, or sort the "
                "file by time.",
                file=self.file,
            )
        part.t_last = float(t[-1])
        if part.t_zero:
            t = np.round(t - part.t_zero, 9)
        part.samples += len(t)
        self.samples += len(t)
        present = set(frame.columns)
        part.sink.write(
            frame.select(
                pl.Series("t_s", t),
                *(pl.col(name) if name in present else pl.lit(None, pl.Float64).alias(name) for name in CHANNEL_NAMES),
            )
        )

    def _start(self, part: _Part) -> RunStart:
        ports = len(self.plan.runs) > 1 or self.plan.port_column is not None
        name = part.port or str([*self.parts].index(next(k for k, p in self.parts.items() if p is part)) + 1)
        numbered = name if part.number == 1 else f"{part.number}/{name}"
        label = numbered if ports else str(part.number)
        return RunStart(label, part.port, part.channels, part.direction, self.plan.stated)

    # -- the end ---------------------------------------------------------------------------------------------------

    def finish(self) -> Outcome:
        """Settle what is pending and close every run."""
        self._refuse_bad_columns()
        for rows, raw, channels in reversed(self.held):
            self._take_rows(rows, raw, channels)
        self.held.clear()
        for part in self.parts.values():
            self._settle(part, frozenset(), is_final=True)
            self._close(part)
        return Outcome(self.runs, self.tally, self.samples)

    def _refuse_bad_columns(self) -> None:
        """Refuse a file in which a column holds so much that is no number that it must be misread."""
        for column in self.plan.columns:
            good, bad = self.seen.get(column.index, (0, 0))
            if bad > _BAD_SHARE * (good + bad):
                raise ImportRefused.because(
                    "bad-column",
                    f"Column `{column.name}` is read as {column.channel}, but {bad:,} of its {good + bad:,} "
                    "cells are no numbers. Name what it holds, or leave it out with "
                    f"--answer column.{column.index + 1}=unused.",
                    file=self.file,
                    column=column.name,
                )

    def _close(self, part: _Part) -> None:
        if part.start is None:
            return
        started, zone, note = self._started(part)
        warnings = [
            f"{n[0].upper()}{n[1:]} ({c:,} times)." if c > 1 else f"{n[0].upper()}{n[1:]}."
            for n, c in part.timeline.notes.items()
        ]
        if part.plan.note:
            warnings.append(f"{part.plan.note[0].upper()}{part.plan.note[1:]}.")
        clock = self.plan.clock
        names = tuple(self.plan.columns[i].name for i in clock.columns)
        zero = part.t_zero or 0.0
        events = tuple(replace(e, from_s=e.from_s - zero, to_s=e.to_s - zero) for e in part.timeline.events)
        self.runs.append(
            ImportedRun(
                part.start,
                part.samples,
                started,
                ClockReading(clock.source, names, clock.unit or clock.format, zone, note),
                self._conversions(part),
                bool(part.plan.turned),
                events,
                tuple(warnings),
            )
        )

    def _conversions(self, part: _Part) -> tuple[Conversion, ...]:
        mine = {c.index: c for c in part.plan.columns}
        others = {c.index for run in self.plan.runs for c in run.columns} - set(mine)
        found = []
        for column in self.plan.columns:
            if column.index in others:
                continue
            own = mine.get(column.index, column)
            found.append(Conversion(own.name, own.channel, own.unit, own.factor, own.offset, own.reason))
        return tuple(found)

    def _started(self, part: _Part) -> tuple[datetime | None, str | None, str]:
        """When the run began, by which zone that was read, and what was assumed."""
        if self.facts.started is not None and part.number == 1:
            stated = self.facts.started
            return (stated if stated.tzinfo else stated.replace(tzinfo=UTC)).astimezone(UTC), None, "start as stated"
        clock = self.plan.date_clock or self.plan.clock
        stamp: int | None = None
        if self.plan.date_clock is not None:
            stamp = self.first_date.get(None)
        elif self.origin_us is not None and clock.source in {"wall clock", "unix", "serial day"}:
            stamp = self.origin_us + round((part.t_zero or 0.0) * 1e6)
        if stamp is not None:
            if clock.has_zone or clock.source == "unix":
                return _moment(stamp), None, ""
            return self._local(stamp)
        if self.plan.day_us is not None and self._is_time_of_day(part):
            found = self._local(self.plan.day_us + (self.origin_us or 0) + round((part.t_zero or 0.0) * 1e6))
            return found[0], found[1], f"The day stands above the table, the time of day in its clock. {found[2]}"
        if self.plan.stated.started is not None and part.number == 1:
            return self.plan.stated.started, self.plan.zone, self.plan.started_note
        return None, None, self.plan.started_note

    def _is_time_of_day(self, part: _Part) -> bool:
        """Tell a time of day from elapsed time: by its label, or for it begins hours after zero (chosen by us: two)."""
        clock = self.plan.clock
        return clock.source == "time of day" or (clock.format == "h:m:s" and (part.t_zero or 0.0) >= 7200.0)

    def _local(self, stamp: int) -> tuple[datetime | None, str | None, str]:
        zone = self.plan.zone
        first, second = utc_microseconds(stamp, zone), utc_microseconds(stamp, zone, latest=True)
        if first is None:
            return None, zone, f"The first local time does not exist in zone {zone}; the start is not used."
        note = f"Local times without a zone are read in {zone}."
        if first != second:
            note += " The first one occurs twice there (the clock is put back); the earlier is taken."
        return _moment(first), zone, note


def _moment(microseconds: int) -> datetime | None:
    try:
        return _EPOCH + timedelta(microseconds=microseconds)
    except OverflowError:
        return None


def _port_name(text: str) -> str:
    return text or "?"


def _reversed(
    rows: Rows, raw: npt.NDArray[np.float64], channels: dict[int, pl.Series]
) -> tuple[Rows, npt.NDArray[np.float64], dict[int, pl.Series]]:
    n = len(raw)
    lines = (
        pl.Series("line", np.arange(rows.lines + n - 1, rows.lines - 1, -1, dtype=np.int64)).cast(pl.UInt32)
        if isinstance(rows.lines, int)
        else rows.lines.reverse()
    )
    return (
        Rows(rows.cells.reverse(), lines, tuple(n - r for r in rows.restarts)),
        raw[::-1].copy(),
        {i: s.reverse() for i, s in channels.items()},
    )


def _counters_restart(frame: pl.DataFrame, before: int, after: int) -> bool | None:
    """Tell whether the meter's counters fell to about zero between two rows; None without counters."""
    said = []
    for name in ("energy_wh", "charge_ah"):
        if name in frame.columns:
            column = frame[name]
            # the reading before may stand some rows back where a cell is empty
            old = column.slice(max(0, before - 3), min(4, before + 1)).drop_nulls() if before >= 0 else column.head(0)
            new = column.slice(after, 4).drop_nulls()
            if len(old) and len(new) and abs(float(old[-1])) > 0:
                said.append(abs(float(new[0])) < 0.5 * abs(float(old[-1])))
    if not said:
        return None
    return all(said)


def read_runs(
    pieces: Iterable[Piece],
    plan: Plan,
    words: Vocabulary,
    sink: ImportSink,
    facts: Facts,
    answers: Mapping[str, str],
    file: str,
    progress: Callable[[int], None] | None = None,
) -> Outcome:
    """Read all pieces by the plan.

    Raises:
        ImportRefused: what comes up while reading can't be settled.
    """
    reader = _Reader(plan, words, sink, facts, answers, file)
    for piece in pieces:
        reader.piece(piece)
        if progress is not None:
            progress(len(piece.text))
    return reader.finish()
