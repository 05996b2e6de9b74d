"""Cells in quotes, by RFC 4180: separators, doubled quotes and line breaks within them.

Knows lines of text only.
"""

from __future__ import annotations

import csv
import re

__all__ = ["breaks_at", "closing_line", "joined_lines", "quoted_cells"]

_MOST_BREAKS = 20
"""Lines that one quoted cell may run over (chosen by us): beyond that a quote was lost."""
_OPENED = re.compile(r'(?:^|[,;\t|])\s*"(?:[^"]|"")*$')
_CLOSED = re.compile(r'^(?:[^"]|"")*"\s*(?:[,;\t|]|$)')


def quoted_cells(line: str, delimiter: str) -> list[str]:
    """Split a line with quotes; a damaged one stays whole."""
    try:
        return next(csv.reader([line.replace("\r", " ")], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return [line]


def closing_line(lines: list[str], at: int) -> int | None:
    """The line in which a cell ends that is opened in line `at` and not closed there; None where there is none."""
    if lines[at].count('"') % 2 == 0 or not _OPENED.search(lines[at]):
        return None
    for end in range(at + 1, min(at + 1 + _MOST_BREAKS, len(lines))):
        if lines[end].count('"') % 2:
            return end if _CLOSED.match(lines[end]) else None
    return None


def joined_lines(lines: list[str]) -> list[str]:
    """Lines with those that a quoted cell runs over joined to the first; the others are left empty in their place."""
    out = list(lines)
    at = 0
    while at < len(out):
        end = closing_line(out, at) if '"' in out[at] else None
        if end is not None:
            out[at] = " ".join(out[at : end + 1])
            out[at + 1 : end + 1] = [""] * (end - at)
            at = end
        at += 1
    return out


def breaks_at(text: bytes, cut: int) -> int:
    """Where to cut a text before `cut`, so that no quoted cell is cut; `cut` itself where none is."""
    if b'"' not in text or text.count(b'"', 0, cut) % 2 == 0:
        return cut
    before = text.rfind(b"\n", 0, text.rfind(b'"', 0, cut)) + 1
    return before if cut - before < (64 << 10) and before else cut
