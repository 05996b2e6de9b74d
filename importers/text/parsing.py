"""A piece of text by a plan -> rows with their clock readings and numbers; cells that are none of either are noted.

Knows plans, rows and cells. What a clock's jumps mean, and which rows make a run, is in `runs`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from importers.clock.forms import to_clock
from importers.decide.plan import ColumnPlan, Plan
from importers.problems import ImportRefused
from importers.schema import Problem
from importers.text.bytesview import Piece
from importers.text.cells import times_units, to_numbers
from importers.text.lines import is_end_mark
from importers.text.rows import read_rows
from importers.text.rowset import Rows, Tally, name_of
from importers.vocabulary.words import Vocabulary

__all__ = ["Known", "Parsed", "ParsedText", "Parser"]

Array = npt.NDArray[np.float64]
_BAD_SHARE = 0.2
"""Share of cells that may be no numbers before a column counts as misread (chosen by us)."""


@dataclass(frozen=True, slots=True)
class Known:
    """Rows of a piece as they were read before the plan was made."""

    rows: Rows
    tally: Tally
    numeric: frozenset[int]
    """Columns that were read natively, where the rows were."""


@dataclass(frozen=True, slots=True)
class Parsed:
    """Rows of one piece."""

    rows: Rows
    raw: Array
    """Clock readings [s] from the file's first, NaN where a cell can't be read."""
    channels: dict[int, pl.Series]
    """Numbers in the file's units, by column."""
    origin_us: int | None
    """The file's first dated clock reading: microseconds of 1970."""
    size: int
    """Of the piece's text [bytes]."""


@dataclass(frozen=True, slots=True)
class ParsedText:
    """A whole small text, parsed once for inspection and for import."""

    pieces: tuple[Parsed, ...]
    tally: Tally
    """Lines that are no samples."""

    def own_tally(self) -> Tally:
        """A copy that may be counted on."""
        return replace(self.tally, found=list(self.tally.found))


@dataclass(slots=True)
class Parser:
    """Parses one file's pieces, in order."""

    plan: Plan
    words: Vocabulary
    file: str
    tally: Tally = field(default_factory=Tally)
    origin_us: int | None = None
    seen: dict[int, tuple[int, int]] = field(default_factory=dict)
    """Per column: cells with numbers, cells that should be."""
    counted: int = 0
    """Rows so far, where they are the clock."""
    used: frozenset[int] = frozenset()
    numeric: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        plan = self.plan
        clock = set(plan.clock.columns) | set(plan.date_clock.columns if plan.date_clock else ())
        extra = {part.index for part in plan.parts}
        measured = [c for run in plan.runs for c in run.columns]
        extra |= {c.unit_column for c in measured if c.unit_column is not None}
        self.used = frozenset(clock | extra | {c.index for c in measured})
        numbers = {c.index for c in measured if not c.cell_units or c.unit_column is not None}
        self.numeric = frozenset((numbers | (set() if plan.clock.format else set(plan.clock.columns))) - extra)

    def parse(self, piece: Piece, known: Known | None = None) -> Parsed | None:
        """Parse the next piece; None where it holds no row.

        Args:
            piece: whole lines.
            known: an earlier reading of the same piece by the same layout.
        """
        rows = self._rows(piece, known)
        if rows.cells.height == 0:
            return None
        raw = self._clock(rows)
        channels = self._channels(rows)
        good = np.isfinite(raw)
        if not good.all():
            self._bad_clock(rows, good | self._totals(rows, good))
        return Parsed(rows, raw, channels, self.origin_us, len(piece.text))

    def _rows(self, piece: Piece, known: Known | None) -> Rows:
        if known is not None:
            # read natively, the columns that are read natively must be those of the plan
            is_native = isinstance(known.rows.lines, int)
            if not is_native or known.numeric & self.used == self.numeric & self.used:
                self.tally.add(known.tally)
                return known.rows
        return read_rows(piece, self.plan.layout, self.numeric, self.words, self.tally, used=self.used)

    def _clock(self, rows: Rows) -> Array:
        form = self.plan.clock
        if not form.columns:  # the rows themselves are counted
            start, self.counted = self.counted, self.counted + rows.cells.height
            return (start + np.arange(rows.cells.height, dtype=np.float64)) * (form.interval_s or 1.0)
        series = to_clock(form, [rows.cells[name_of(i)] for i in form.columns], self.plan.layout.decimal)
        if series.dtype == pl.Int64:
            if self.origin_us is None:
                first = series.drop_nulls().head(1)
                self.origin_us = int(first[0]) if len(first) else None
            moved = (series - (self.origin_us or 0)).cast(pl.Float64) * 1e-6
            return moved.fill_null(float("nan")).to_numpy()
        return series.to_numpy()

    def _channels(self, rows: Rows) -> dict[int, pl.Series]:
        """Every measured column as Float64 in the file's unit; cells that are no numbers are noted."""
        found: dict[int, pl.Series] = {}
        layout = self.plan.layout
        for column in {c.index: c for run in self.plan.runs for c in run.columns}.values():
            cells = rows.cells[name_of(column.index)]
            unit_at = column.unit_column
            behind = dict(column.cell_units) if unit_at is None else {}
            numbers = to_numbers(cells, layout.decimal, layout.thousands, self.words, behind or None)
            found[column.index] = numbers.values
            if unit_at is not None:
                units = rows.cells[name_of(unit_at)]
                found[column.index], lost = times_units(numbers.values, units, dict(column.cell_units))
                self._lost_units(column, rows, units, lost)
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
                self.tally.note(Problem(code, "warning", message, self.file, line, column.name, raw, len(places)))

    def _lost_units(self, column: ColumnPlan, rows: Rows, units: pl.Series, lost: tuple[int, ...]) -> None:
        """Note numbers whose unit is none that the column has elsewhere: they are left empty."""
        if lost:
            line, raw = rows.line_of(lost[0]), str(units[lost[0]]).strip()
            more = f" {len(lost)} such cells." if len(lost) > 1 else ""
            message = (
                f"Line {line:,}, column `{column.name}`: its unit `{raw}` is not known; the cell is left empty.{more}"
            )
            self.tally.note(Problem("not-a-number", "warning", message, self.file, line, column.name, raw, len(lost)))

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
        message = f"Line {line:,}, column `{column}`: `{raw}` is not a clock reading. The line is left out.{more}"
        self.tally.note(Problem("bad-clock", "warning", message, self.file, line, column, raw, len(places)))

    def refuse_bad_columns(self) -> None:
        """Refuse a file in which a column holds so much that is no number that it must be misread."""
        for column in self.plan.columns:
            good, bad = self.seen.get(column.index, (0, 0))
            if bad > _BAD_SHARE * (good + bad):
                raise ImportRefused.because(
                    "bad-column",
                    f"Column `{column.name}` is read as {column.channel}, but {bad:,} of its {good + bad:,} "
                    "cells are not numbers. Name what it holds, or leave it out with "
                    f"--answer column.{column.index + 1}=unused.",
                    file=self.file,
                    column=column.name,
                )
