"""The lines above a table that name its columns: header, row of units, group headings.

Knows lines of text and the vocabulary.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from importers.text.cellkinds import NUMBER
from importers.text.lines import split_line
from importers.vocabulary.labels import read_label
from importers.vocabulary.words import Vocabulary

__all__ = ["Attempt", "bare_header", "find_header"]


@dataclass(slots=True)
class Attempt:
    """All lines read by one delimiter, and the longest stretch of equal, value-like rows among them."""

    delimiter: str
    rows: list[list[str] | None]
    """Cells of data-like lines, None for the others."""
    width: int
    count: int
    start: int
    stop: int
    values: float


def find_header(
    lines: list[str], data_at: int, found: Attempt, words: Vocabulary
) -> tuple[int | None, list[str] | None, list[str] | None]:
    """Find the header above the data, a row of units below it and group headings above it."""
    above = [i for i in range(data_at - 1, max(-1, data_at - 8), -1) if lines[i].strip()]
    fitting: list[tuple[int, list[str]]] = []
    for i in above[:3]:
        cells = _cells_of_header(lines[i], found)
        if cells is None:
            break
        fitting.append((i, cells))
    if not fitting:
        return None, None, None
    sparse = len(fitting) > 1 and sum(map(bool, fitting[1][1])) < 0.6 * found.width
    if len(fitting) > 1 and not sparse and _is_units(fitting[0][1], words):
        header_at, header = fitting[1]
        ports = fitting[2][1] if len(fitting) > 2 else None
        return header_at, _padded(fitting[0][1], found.width), _spread(ports, header, found.width, words)
    if len(fitting) > 1 and _is_units(fitting[1][1], words) and not _is_units(fitting[0][1], words):
        ports = None
        return fitting[0][0], _padded(fitting[1][1], found.width), None
    header_at, header = fitting[0]
    ports = fitting[1][1] if len(fitting) > 1 else None
    return header_at, None, _spread(ports, header, found.width, words)


def _cells_of_header(line: str, found: Attempt) -> list[str] | None:
    """Split a line as a header of the table's width; None where it can't be one."""
    text = bare_header(line, found.delimiter)
    cells = [c.strip().strip('"').strip() for c in split_line(text, found.delimiter)]
    if len(cells) == found.width + 1 and not cells[-1]:
        cells.pop()
    if len(cells) != found.width and not (
        len(cells) == found.width - 1
        and all(not (r or [""])[-1].strip() for r in found.rows[found.start : found.stop] if r)
    ):
        return None
    numeric = sum(any(x.isdigit() for x in c) and bool(NUMBER.match(c)) for c in cells)
    return None if numeric > len(cells) // 3 or not any(cells) else cells


def bare_header(line: str, delimiter: str) -> str:
    """A header's line without the mark of a comment; `#` that is the first column's own name stays."""
    text = line.lstrip("\ufeff")
    if not text.lstrip().startswith("#") or set(split_line(text, delimiter)[0].strip().strip('"')) == {"#"}:
        return text
    return text.lstrip().lstrip("#").strip()


def _is_units(cells: list[str], words: Vocabulary) -> bool:
    filled = [c.strip("()[]{}<> ") for c in cells if c.strip("()[]{}<>- ")]
    known = sum(
        words.unit(c) is not None or bool(re.fullmatch(r"(?i)h+:m+(:s+.*)?|yyyy.*|dd.*|iso.*", c)) for c in filled
    )
    return bool(filled) and known >= max(1, len(filled) - 1)


def _padded(cells: list[str], width: int) -> list[str]:
    return (cells + [""] * width)[:width]


def _spread(ports: list[str] | None, header: list[str], width: int, words: Vocabulary) -> list[str] | None:
    """Spread group headings (`C1,,,A1,,`) over their columns, where the row is one."""
    if ports is None or not any(ports) or all(ports):
        return None
    named = [c for c in ports if c]
    if len(named) > width // 2 or sum(
        read_label(c, "", words).port is not None or bool(re.fullmatch(r"[A-Za-z]{1,8}[ \-]?\d{0,2}", c)) for c in named
    ) < len(named):
        return None
    out, current = [], ""
    for c, name in zip(_padded(ports, width), _padded(header, width), strict=True):
        current = c or current
        out.append(current if name else "")
    return out
