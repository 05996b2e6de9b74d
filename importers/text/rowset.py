"""Rows of cells with their line numbers, and the tally of lines that are none.

Knows frames and problems only.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from importers.schema import Problem

__all__ = ["Rows", "Tally", "name_of"]


_OF_CELLS = frozenset({"not-a-number", "overload", "bad-clock"})
_FEW, _MOST = 5, 40
"""Problems of one code and column that are kept: of cells, of which one says how many there are, and of lines."""


@dataclass(slots=True)
class Tally:
    """Lines that are no samples, by what they are."""

    lines: int = 0
    header: int = 0
    preamble: int = 0
    blank: int = 0
    totals: int = 0
    problems: int = 0
    continued: int = 0
    """Lines that a quoted cell of the line before runs over."""
    found: list[Problem] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Count what another reading of the next lines counted."""
        for name in ("lines", "header", "preamble", "blank", "totals", "problems", "continued"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for problem in other.found:
            self.note(problem)

    def note(self, problem: Problem) -> None:
        """Keep a problem; after some of one code and column only count."""
        limit = _FEW if problem.code in _OF_CELLS else _MOST
        same = [i for i, p in enumerate(self.found) if p.code == problem.code and p.column == problem.column]
        if len(same) < limit:
            self.found.append(problem)
            return
        last = self.found[same[-1]]
        self.found[same[-1]] = Problem(
            last.code,
            last.severity,
            last.message,
            last.file,
            last.line,
            last.column,
            last.raw,
            last.count + problem.count,
        )


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of one piece."""

    cells: pl.DataFrame
    """Columns c0, c1, ...: Float64 where parsed natively, String else."""
    lines: pl.Series | int
    """Line numbers (UInt32) of the rows, or the first one where they follow each other."""
    restarts: tuple[int, ...] = ()
    """Row positions before which a header stood again."""

    def line_of(self, row: int) -> int:
        """1-based line of a row."""
        return self.lines + row if isinstance(self.lines, int) else int(self.lines[row])


def name_of(index: int) -> str:
    """Name of a cell column in frames."""
    return f"c{index}"
