"""Where a table starts and ends in a text and how it is written: with the evidence.

Knows lines of text and the vocabulary. Knows no quantity arithmetic.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from functools import lru_cache

from importers.text.cellkinds import ALIKE, BLANKS, VALUES, cell_kind, find_decimal
from importers.text.headers import Attempt, bare_header, find_header
from importers.text.lines import SPACE, SPACES, split_line
from importers.text.quoting import joined_lines
from importers.vocabulary.words import Vocabulary

__all__ = ["TableLayout", "find_layout"]

_DELIMITERS = (",", ";", "\t", "|", SPACES, SPACE)
_WIDEST = 400
"""More columns than this [count] are no meter's."""
_LONGEST = 20_000
"""A longer line [characters] holds no row of a meter."""
_TRIED = 160
"""Lines that are tried by every delimiter."""
_LOOK = 400
"""Lines looked at for the shape."""


@dataclass(frozen=True, slots=True)
class TableLayout:
    """Where the table is in the file and how it is written."""

    delimiter: str
    width: int
    """Fields in a data line."""
    names: tuple[str, ...]
    unit_row: tuple[str, ...]
    """The second header row's texts, empty strings where there is none."""
    port_row: tuple[str, ...]
    """Group headings above the header, spread over their columns; empty strings where there is none."""
    header_line: int | None
    """1-based; None where the file has no header."""
    data_line: int
    """1-based line of the first data row."""
    decimal: str
    thousands: str
    """Thousands mark, empty where none was seen."""
    decimal_open: bool
    """True where every mark could be either."""
    quoted: bool
    header_texts: tuple[str, ...]
    """Header lines as they stand, to know them again in the middle."""
    preamble: tuple[str, ...]
    reason: str
    blank_before: int = 0
    samples: tuple[tuple[str, ...], ...] = field(default=())
    """The first data rows' cells."""


def find_layout(head: bytes, words: Vocabulary, delimiter: str | None = None) -> TableLayout | None:
    """Find the table in a text's first lines; None where there is none.

    Args:
        head: the text's beginning, UTF-8.
        words: the vocabulary.
        delimiter: as a profile or an answer states it.
    """
    lines = _first_lines(head)
    tries = [_attempt(lines, d, words) for d in ((delimiter,) if delimiter else _DELIMITERS)]
    by_tab = max((t.count for t in tries if t.delimiter == "\t"), default=0)
    # spaces split at tabs too: where tabs make a table, spaces only cut dates and thousands
    tries = [t for t in tries if t.delimiter not in {SPACE, SPACES} or by_tab < 0.8 * t.count or by_tab == 0]
    by_runs = max((t.count for t in tries if t.delimiter == SPACES and t.width > 1), default=0)
    # where two spaces and more make a table, one space stands within its cells
    tries = [t for t in tries if t.delimiter != SPACE or by_runs < 0.9 * t.count or by_runs == 0]
    best = max(tries, key=lambda t: (t.count * min(t.width, 2) * t.values, t.width if t.delimiter != SPACE else 0))
    if best.count == 0 or not 2 <= best.width <= _WIDEST:
        return None
    return _describe(lines, best, words)


def _first_lines(head: bytes) -> list[str]:
    cut = 0
    for _ in range(_LOOK):
        at = head.find(b"\n", cut)
        if at < 0:
            cut = len(head)
            break
        cut = at + 1
    lines = [line.rstrip("\r") for line in head[:cut].decode("utf-8", "replace").split("\n")]
    return joined_lines(lines) if b'"' in head[:cut] else lines


def _attempt(lines: list[str], delimiter: str, words: Vocabulary) -> Attempt:
    """Read all lines by one delimiter and find the longest stretch of equal, value-like rows."""
    rows: list[list[str] | None] = [None] * len(lines)
    widths: Counter[int] = Counter()
    mark = " " if delimiter in {SPACE, SPACES} else delimiter
    for number, line in enumerate(lines[:_TRIED]):
        if mark in line and len(line) < _LONGEST and _is_data_line(line.translate(ALIKE), delimiter, words):
            cells = split_line(line, delimiter)
            widths[len(cells)] += 1
            rows[number] = cells
    if not widths:
        return Attempt(delimiter, rows, 0, 0, 0, 0, 0.0)
    width = max(widths, key=lambda w: (widths[w], w))
    start, stop = _stretch(lines, rows, width)
    block = [r for r in rows[start:stop] if r is not None and len(r) == width]
    kinds = Counter(cell_kind(c, words) for r in block[:20] for c in r)
    said = sum(kinds[k] for k in VALUES) + 0.9 * sum(kinds[k] for k in BLANKS)
    values = said / max(1, kinds.total())
    return Attempt(delimiter, rows, width, len(block), start, stop, values)


@lru_cache(maxsize=8192)
def _is_data_line(line: str, delimiter: str, words: Vocabulary) -> bool:
    """Tell whether a line holds values by its notation; a table's lines have a handful."""
    cells = split_line(line, delimiter)
    if len(cells) < 2:
        return False
    kinds = [cell_kind(c, words) for c in cells]
    values = sum(k in VALUES for k in kinds)
    texts = kinds.count("text")
    return values >= 1 and values > texts and values + sum(k in BLANKS for k in kinds) + texts == len(kinds)


def _stretch(lines: list[str], rows: list[list[str] | None], width: int) -> tuple[int, int]:
    """Find the longest run of lines that are data of this width, blank or odd ones between data."""
    best, start, good, odd, last = (0, 0, 0), None, 0, 0, 0
    for i, row in enumerate(rows):
        if row is not None and len(row) == width:
            if start is None:
                start, good = i, 0
            good, odd, last = good + 1, 0, i
        elif start is not None and lines[i].strip():
            odd += 1
            if odd > 3 or good < 3:  # a preamble's line may look like data for a moment
                best = max(best, (good, -start, last + 1))
                start, odd = None, 0
    if start is not None:
        best = max(best, (good, -start, last + 1))
    return -best[1], best[2]


def _describe(lines: list[str], found: Attempt, words: Vocabulary) -> TableLayout:
    data_at = found.start
    header_at, unit_row, port_row = find_header(lines, data_at, found, words)
    width = found.width
    names: list[str] = [""] * width
    if header_at is not None:
        cells = [
            c.strip().strip('"').strip()
            for c in split_line(bare_header(lines[header_at], found.delimiter), found.delimiter)
        ]
        cells = cells[1:] if len(cells) == width + 1 and not cells[0] else cells
        names[: len(cells)] = cells[:width]
    named = [name or (f"column {i + 1}" if header_at is None else "") for i, name in enumerate(names)]
    block = [r for r in found.rows[found.start : found.stop] if r is not None and len(r) == width]
    decimal, thousands, is_open, why = find_decimal([*block[:40], *block[40::5]])
    if is_open:  # more rows may tell
        decimal, thousands, is_open, why = find_decimal(block)
    top = header_at if header_at is not None else data_at
    if port_row:
        top -= 1
    preamble = tuple(lines[:top])
    headers = tuple(line.strip() for line in lines[top:data_at] if line.strip())
    said = {",": "comma", ";": "semicolon", "\t": "tab", "|": "vertical bar", SPACES: "runs of spaces", SPACE: "spaces"}
    reason = f"{found.count} of the first lines have {width} cells when split at {said[found.delimiter]}; {why}"
    return TableLayout(
        found.delimiter,
        width,
        tuple(named),
        tuple(unit_row) if unit_row else ("",) * width,
        tuple(port_row) if port_row else ("",) * width,
        header_at + 1 if header_at is not None else None,
        data_at + 1,
        decimal,
        thousands,
        is_open,
        any('"' in line for line in lines[data_at : data_at + 50]),
        headers,
        preamble,
        reason,
        samples=tuple(tuple(r) for r in block[:100]),
    )
