"""Rows with clock readings -> runs: ports, restarts and jumps of the clock; samples to a sink in order of time.

Knows plans, timelines and sinks. Reads no text.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import numpy.typing as npt
import polars as pl

from importers.clock.forms import to_clock, utc_microseconds
from importers.clock.timeline import Timeline
from importers.decide.plan import Plan, RunPlan
from importers.problems import ImportRefused
from importers.reading.closing import close_run
from importers.schema import Facts, ImportedRun, ImportSink, Problem, RunSink, RunStart
from importers.text.parsing import Parsed
from importers.text.rowset import Rows, Tally, name_of

__all__ = ["Runs"]

_KINDS_OUT = frozenset({"discharge", "regulation", "overload", "light-load"})


@dataclass(slots=True)
class _Part:
    """One port of a file, being read."""

    plan: RunPlan
    values: tuple[str, ...]
    """What the parting columns say of its rows."""
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


class Runs:
    """Takes parsed rows in order of time and makes runs of them."""

    def __init__(
        self, plan: Plan, sink: ImportSink, facts: Facts, answers: Mapping[str, str], file: str, tally: Tally
    ) -> None:
        self.plan, self.sink, self.facts, self.answers, self.file = plan, sink, facts, answers, file
        self.tally = tally
        self.closed: list[ImportedRun] = []
        self.samples = 0
        self._parts: dict[tuple[tuple[str, ...], int], _Part] = {}
        self._origin_us: int | None = None
        self._first_date: int | None = None
        self._left_out: set[int] = set()

    def take(self, parsed: Parsed) -> None:
        """Take rows in order of time."""
        self._origin_us = parsed.origin_us
        self._dates(parsed.rows)
        good = np.isfinite(parsed.raw)
        if self.plan.parts:
            self._by_part(parsed.rows, parsed.raw, parsed.channels, good)
        else:
            self._by_run(parsed.rows, parsed.raw, parsed.channels, good)

    def finish(self) -> None:
        """Settle what is pending and close every run."""
        for part in self._parts.values():
            self._settle(part, frozenset(), is_final=True)
            self._close(part)

    def _dates(self, rows: Rows) -> None:
        """Note the first date beside an elapsed clock."""
        if self.plan.date_clock is None or self._first_date is not None:
            return
        series = to_clock(
            self.plan.date_clock,
            [rows.cells[name_of(i)] for i in self.plan.date_clock.columns],
            self.plan.layout.decimal,
        )
        if series.len() and series[0] is not None:
            self._first_date = int(series[0])

    def _by_part(
        self, rows: Rows, raw: npt.NDArray[np.float64], channels: dict[int, pl.Series], good: npt.NDArray[np.bool_]
    ) -> None:
        """Rows of several ports, devices or tests, one below the other."""
        columns = [
            rows.cells[name_of(p.index)].cast(pl.String).fill_null("").str.strip_chars(" \"'\t")
            for p in self.plan.parts
        ]
        if len(columns) == 1:
            every = [(value,) for value in columns[0].unique(maintain_order=True).to_list()]
        else:
            table = pl.DataFrame([c.alias(str(i)) for i, c in enumerate(columns)])
            every = table.unique(maintain_order=True).rows()
        for values in every:
            here = good
            for column, value in zip(columns, values, strict=True):
                here = here & (column == value).to_numpy()
            part = tuple(v or "?" for v in values)
            if here.any() and (self._is_open(part) or self._holds_readings(rows, channels, here)):
                for number in range(len(self.plan.runs)):
                    self._take(self._part(number, part), rows, raw, channels, here)

    def _is_open(self, values: tuple[str, ...]) -> bool:
        return any(known == values for known, _ in self._parts)

    def _holds_readings(self, rows: Rows, channels: dict[int, pl.Series], here: npt.NDArray[np.bool_]) -> bool:
        """Tell rows of a new part from rows that are cut short, which hold no reading: those are noted."""
        if any(column.filter(pl.Series(here)).is_not_null().any() for column in channels.values()):
            return True
        first = int(np.flatnonzero(here)[0])
        line = rows.line_of(first)
        self.tally.problems += int(here.sum())
        message = f"Line {line:,} holds no reading. The line is left out."
        self.tally.note(Problem("short-row", "warning", message, self.file, line, count=int(here.sum())))
        return False

    def _by_run(
        self, rows: Rows, raw: npt.NDArray[np.float64], channels: dict[int, pl.Series], good: npt.NDArray[np.bool_]
    ) -> None:
        for number in range(len(self.plan.runs)):
            self._take(self._part(number), rows, raw, channels, good)

    def _part(self, number: int, values: tuple[str, ...] = ()) -> _Part:
        key = (values, number)
        if key not in self._parts:
            run = self.plan.runs[number]
            clock = self.plan.clock
            timeline = Timeline(
                clock.source if clock.source != "unix" else "unix",
                self.plan.step_s,
                restart=self.answers.get("restart", ""),
                is_clock_change=self._is_clock_change,
            )
            channels = tuple(c.channel for c in run.columns if c.channel)
            self._parts[key] = _Part(run, values, timeline, channels, self._direction(run), 1)
        return self._parts[key]

    def _direction(self, run: RunPlan) -> str | None:
        """Direction, with the tester's kind before the file's guess; signs are such that its main flow is positive."""
        if run.port == "mains":
            return run.direction
        if self.facts.kind == "recharge":
            return "in"
        return "out" if self.facts.kind in _KINDS_OUT else run.direction

    def _is_clock_change(self, before: float, after: float) -> bool:
        if self._origin_us is None or self.plan.clock.has_zone:
            return False
        a = utc_microseconds(self._origin_us + round(before * 1e6), self.plan.zone)
        b = utc_microseconds(self._origin_us + round(after * 1e6), self.plan.zone)
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
            if line in self._left_out:  # another port's part of the same line
                continue
            self._left_out.add(line)
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
        part.sink.write(pl.DataFrame([pl.Series("t_s", t), *frame.get_columns()]))

    def _start(self, part: _Part) -> RunStart:
        """What is known of a run before its samples: its name, its port, what the file states of it."""
        port, stated = part.plan.port, self.plan.stated
        for column, value in zip(self.plan.parts, part.values, strict=True):
            if column.by == "port":
                port = value
            elif column.by == "device":
                stated = replace(stated, device=value)
            else:
                said = f"{self.plan.columns[column.index].name}: {value}"
                stated = replace(stated, note=f"{stated.note}; {said}" if stated.note else said)
        is_one = len(self.plan.runs) == 1 and not self.plan.parts
        names = [*part.values, *([part.plan.port] if part.plan.port and len(self.plan.runs) > 1 else [])]
        own = " ".join(names) or str([*self._parts].index(next(k for k, p in self._parts.items() if p is part)) + 1)
        numbered = own if part.number == 1 else f"{part.number}/{own}"
        return RunStart(str(part.number) if is_one else numbered, port, part.channels, part.direction, stated)

    def _close(self, part: _Part) -> None:
        if part.start is None:
            return
        timeline, zero = part.timeline, part.t_zero or 0.0
        self.closed.append(
            close_run(
                self.plan,
                part.plan,
                part.start,
                part.samples,
                timeline,
                self.facts if part.number == 1 else replace(self.facts, started=None),
                zero_s=zero,
                origin_us=self._origin_us,
                first_date=self._first_date,
                is_first=part.number == 1,
            )
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
