"""A table made of another form: its text, and where each of its lines stands in the file.

Knows problems as values. Knows no form.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from importers.problems import ImportRefused
from importers.schema import Problem

__all__ = ["LARGEST", "Recast", "refuse_large", "table_text"]

LARGEST = 64 << 20
"""Text of another form [bytes] that is turned into a table: it is held in memory, at up to twenty times its size."""


@dataclass(frozen=True, slots=True)
class Recast:
    """A table in place of what the file holds."""

    form: str
    """What the file holds, for people: `lines of key=value`, `a JSON array` ..."""
    text: bytes
    """Comma-separated values (RFC 4180), UTF-8, with a header."""
    places: tuple[tuple[int, str, int], ...] = ()
    """Stretches of its lines: first line, what the file's own count is called, the file's number of that line."""
    lines: tuple[int, ...] = ()
    """Line of the file by line of the table, where they do not simply follow each other."""

    splits: bool = False
    """True where it is of several logs: a clock that goes back always begins another run."""

    def place(self, line: int) -> tuple[int, str]:
        """Number in the file and how it is called, for a 1-based line of the table."""
        if self.lines:
            own = self.lines[min(line, len(self.lines)) - 1]
            return own, f"Line {own:,}"
        first, called, start = next((p for p in reversed(self.places) if p[0] <= line), (1, "Line", 1))
        own = start + line - first
        return own, f"{called} {own:,}"

    def relocated(self, problem: Problem) -> Problem:
        """A problem by its place in the file."""
        if problem.line is None:
            return problem
        own, called = self.place(problem.line)
        return replace(problem, line=own, message=problem.message.replace(f"Line {problem.line:,}", called, 1))


def refuse_large(size: int, form: str, file: str) -> None:
    """Refuse a text that is too large to be turned.

    Raises:
        ImportRefused: it is.
    """
    if size > LARGEST:
        raise ImportRefused.because(
            "too-large",
            f"{file} holds {form} of more than {LARGEST >> 20} MB. Split it, or export it as CSV.",
            file=file,
        )


def table_text(rows: Iterable[Sequence[str]]) -> bytes:
    """Write rows as comma-separated values."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue().encode()
