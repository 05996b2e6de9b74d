"""Where a table starts and ends in a text, its delimiter, its header and its decimal mark: with the evidence.

Knows lines of text and the vocabulary. Knows no quantity arithmetic.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from functools import lru_cache

from importers.labels import read_label
from importers.quoting import joined_lines, quoted_cells
from importers.words import Vocabulary, normalise, tokens

__all__ = ["Cell", "Layout", "cell_kind", "find_layout", "split_line"]

SPACES = "  "
"""Delimiter value that stands for runs of two or more spaces."""
SPACE = " "
"""Delimiter value that stands for runs of one or more spaces."""
_DELIMITERS = (",", ";", "\t", "|", SPACES, SPACE)
_WIDEST = 400
"""More columns than this [count] are no meter's."""
_LONGEST = 20_000
"""A longer line [characters] holds no row of a meter."""
_TRIED = 160
"""Lines that are tried by every delimiter."""
_LOOK = 400
"""Lines looked at for the shape."""

_NUMBER = re.compile(
    r"[+\-\u2212]?(?:\d{1,3}(?:[ ,.'\u2019\u00a0\u202f]\d{3})+(?![\d])|\d+)?(?:[.,]\d*)?(?:[eE][+\-]?\d{1,3})?$"
)
_WITH_UNIT = re.compile(
    r"([+\-\u2212]?[\d.,' \u2019\u00a0\u202f]*\d[\d.,]*(?:[eE][+\-]?\d{1,3})?)"
    r"\s*([A-Za-z°µμΩ℃℉%\u4e00-\u9fff][A-Za-z°µμΩ.·℃ ]{0,4})$"
)
_DATE = re.compile(
    r"(?:\d{4}([\-/.])\d{1,2}\1\d{1,2}|\d{1,2}([\-/.])\d{1,2}\2(?:\d{4}|\d{2})|\d{1,2}[\- ][A-Za-z]{3}[\- ]\d{2,4}"
    r"|\d{8}(?=T)"
    r"|\d{4}年\d{1,2}月\d{1,2}日)\.?"
)
_TIME = re.compile(
    r"\d{1,4}:\d{1,2}(?::\d{1,2}(?:[.,:]\d{1,9})?|\.\d{1,9})?(?: ?[AaPp]\.?[Mm]\.?)?(?: ?(?:Z|UTC|[+\-]\d{2}:?\d{2}))?$"
)
_COMPACT = re.compile(r"\d{8}T\d{6}(?:[.,]\d+)?Z?$")
_FIGURE = re.compile(r"[+\-\u2212]?([\d.,' \u2019\u00a0\u202f]*\d)(?:[eE][+\-]?\d+)?\s*[A-Za-z°µΩ%℃]*[A-Za-z]*$")
_THREE_COMMA = re.compile(r"[1-9]\d{0,2},\d{3}$")
_THREE_POINT = re.compile(r"[1-9]\d{0,2}\.\d{3}$")
_SAME = str.maketrans("23456789", "11111111")
"""Digits but zero look alike: of digits, decimal marks are told by a zero in front and nothing else."""
_ANY = str.maketrans("123456789", "000000000")
"""All digits look alike: what kind a cell is does not depend on them."""
_KEY = re.compile(r"^\s*[#;/*'\"!%>\-]*\s*([^:=\t]{1,40}?)\s*(?:[:=]|\t)\s*(.*?)\s*$")


@dataclass(frozen=True, slots=True)
class Cell:
    """What one cell of a table can be."""

    kind: str
    """number, unit-number, date, time, datetime, empty, missing, overload, text."""


@dataclass(frozen=True, slots=True)
class Layout:
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


def split_line(line: str, delimiter: str) -> list[str]:
    """Split one line into cells; quotes by RFC 4180."""
    if delimiter == SPACES:
        return re.split(r" {2,}|\t", line.strip())
    if delimiter == SPACE:
        return line.split()
    return quoted_cells(line, delimiter) if '"' in line else line.split(delimiter)


def cell_kind(cell: str, words: Vocabulary) -> str:
    """Tell what a cell can be: number, unit-number, date, time, datetime, empty, missing, overload or text."""
    return _kind_of(cell.translate(_ANY), words)


@lru_cache(maxsize=8192)
def _kind_of(cell: str, words: Vocabulary) -> str:
    """The kind of all cells of one notation: a table's thousands of numbers have a dozen."""
    cell = cell.strip().strip("\"'").strip()
    if not cell:
        return "empty"
    first = cell[0]
    if first.isdigit() or first in "+-.,\u2212":
        if _NUMBER.match(cell) and any(c.isdigit() for c in cell):
            return "number"
        if _COMPACT.match(cell):
            return "datetime"
        date = _DATE.match(cell)
        if date:
            rest = cell[date.end() :].strip(" T,")
            if not rest:
                return "date"
            if _TIME.match(rest):
                return "datetime"
        if _TIME.match(cell):
            return "time"
        match = _WITH_UNIT.match(cell)
        if match and words.unit(match.group(2)) is not None:
            return "unit-number"
    plain = normalise(cell)
    if plain in words.missing:
        return "missing"
    if plain in words.overload or (cell.startswith("#") and set(cell) == {"#"}):
        return "overload"
    return "text"


_VALUES = frozenset({"number", "unit-number", "date", "time", "datetime"})
_BLANKS = frozenset({"empty", "missing", "overload"})


@dataclass(slots=True)
class _Try:
    delimiter: str
    rows: list[list[str] | None]
    """Cells of data-like lines, None for the others."""
    width: int
    count: int
    start: int
    stop: int
    values: float


def find_layout(head: bytes, words: Vocabulary, delimiter: str | None = None) -> Layout | None:
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


def _attempt(lines: list[str], delimiter: str, words: Vocabulary) -> _Try:
    """Read all lines by one delimiter and find the longest stretch of equal, value-like rows."""
    rows: list[list[str] | None] = [None] * len(lines)
    widths: Counter[int] = Counter()
    mark = " " if delimiter in {SPACE, SPACES} else delimiter
    for number, line in enumerate(lines[:_TRIED]):
        if mark in line and len(line) < _LONGEST and _is_data_line(line.translate(_ANY), delimiter, words):
            cells = split_line(line, delimiter)
            widths[len(cells)] += 1
            rows[number] = cells
    if not widths:
        return _Try(delimiter, rows, 0, 0, 0, 0, 0.0)
    width = max(widths, key=lambda w: (widths[w], w))
    start, stop = _stretch(lines, rows, width)
    block = [r for r in rows[start:stop] if r is not None and len(r) == width]
    kinds = Counter(cell_kind(c, words) for r in block[:20] for c in r)
    said = sum(kinds[k] for k in _VALUES) + 0.9 * sum(kinds[k] for k in _BLANKS)
    values = said / max(1, kinds.total())
    return _Try(delimiter, rows, width, len(block), start, stop, values)


@lru_cache(maxsize=8192)
def _is_data_line(line: str, delimiter: str, words: Vocabulary) -> bool:
    """Tell whether a line holds values by its notation; a table's lines have a handful."""
    cells = split_line(line, delimiter)
    if len(cells) < 2:
        return False
    kinds = [cell_kind(c, words) for c in cells]
    values = sum(k in _VALUES for k in kinds)
    texts = kinds.count("text")
    return values >= 1 and values > texts and values + sum(k in _BLANKS for k in kinds) + texts == len(kinds)


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


def _describe(lines: list[str], found: _Try, words: Vocabulary) -> Layout:
    data_at = found.start
    header_at, unit_row, port_row = _header(lines, data_at, found, words)
    width = found.width
    names: list[str] = [""] * width
    if header_at is not None:
        cells = [
            c.strip().strip('"').strip()
            for c in split_line(lines[header_at].lstrip("#").lstrip("\ufeff"), found.delimiter)
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
    return Layout(
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


def _header(
    lines: list[str], data_at: int, found: _Try, words: Vocabulary
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


def _cells_of_header(line: str, found: _Try) -> list[str] | None:
    """Split a line as a header of the table's width; None where it can't be one."""
    text = line.lstrip("\ufeff")
    if text.lstrip().startswith("#"):
        text = text.lstrip().lstrip("#").strip()
    cells = [c.strip().strip('"').strip() for c in split_line(text, found.delimiter)]
    if len(cells) == found.width + 1 and not cells[-1]:
        cells.pop()
    if len(cells) != found.width and not (
        len(cells) == found.width - 1
        and all(not (r or [""])[-1].strip() for r in found.rows[found.start : found.stop] if r)
    ):
        return None
    numeric = sum(any(x.isdigit() for x in c) and bool(_NUMBER.match(c)) for c in cells)
    return None if numeric > len(cells) // 3 or not any(cells) else cells


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


def find_decimal(rows: list[list[str]]) -> tuple[str, str, bool, str]:
    """Tell the decimal and thousands marks of a table's numbers.

    Returns:
        Decimal mark, thousands mark (or empty), whether both readings remain possible, reason.
    """
    comma_decimal = point_decimal = 0
    open_comma = open_point = 0
    spaces = ""
    # numbers of one notation (1.234 and 2.345) say the same
    for raw, count in Counter(cell.translate(_SAME) for row in rows for cell in row).items():
        cell = raw.strip().strip('"').strip()
        if not cell or not (cell[0].isdigit() or cell[0] in "+-.,\u2212") or ":" in cell:
            continue
        match = _FIGURE.match(cell)
        if not match:
            continue
        body = match.group(1)
        commas, points = body.count(","), body.count(".")
        if space := next((s for s in " '\u2019\u00a0\u202f" if s in body), ""):
            if re.match(rf"\d{{1,3}}({re.escape(space)}\d{{3}})+([.,]\d+)?$", body):
                spaces = space
            else:
                continue
        if commas and points:
            if body.rfind(",") > body.rfind("."):
                comma_decimal += count * (points == 1 or bool(re.match(r"\d{1,3}(\.\d{3})+,\d+$", body)))
            else:
                point_decimal += count
        elif commas > 1:
            point_decimal += count * bool(re.match(r"\d{1,3}(,\d{3})+$", body))
        elif points > 1:
            comma_decimal += count * bool(re.match(r"\d{1,3}(\.\d{3})+$", body))
        elif commas:
            if _THREE_COMMA.match(body) and not spaces:
                open_comma += count
            else:
                comma_decimal += count
        elif points:
            if _THREE_POINT.match(body) and not spaces:
                open_point += count
            else:
                point_decimal += count
    if comma_decimal > point_decimal:
        thousands = spaces or ("." if open_point or any("." in c and "," in c for r in rows for c in r) else "")
        return ",", thousands, False, "numbers have decimal commas"
    if point_decimal:
        both = any("," in c and "." in c and not _DATE.match(c.strip()) for r in rows for c in r)
        thousands = spaces or ("," if (open_comma or both) else "")
        return ".", thousands, False, "numbers have decimal points"
    if open_comma and not open_point:
        return ",", "", True, "every comma stands before three digits, as a decimal or a thousands mark would"
    if open_point and not open_comma:
        return ".", "", False, "numbers have decimal points"
    if open_comma and open_point:
        return ".", ",", True, "commas and points each stand before three digits"
    return ".", spaces, False, "numbers have no decimal mark"


def key_values(preamble: tuple[str, ...], delimiter: str) -> list[tuple[int, str, str]]:
    """Read `key: value`, `key = value`, `key;value` lines of a preamble: (line, key, value)."""
    found = []
    for number, line in enumerate(preamble, 1):
        text = line.strip().strip('"').lstrip("#").strip().strip('"')
        match = _KEY.match(text)
        # A sign that stands behind the table's own mark belongs to the value: `started;25.11.2026 09:12`.
        is_key = match is not None and not (delimiter.strip() and delimiter in match.group(1))
        pair = (match.group(1), match.group(2)) if match is not None and is_key else None
        if pair is None and delimiter in text:
            cells = [c.strip().strip('"') for c in split_line(text, delimiter)]
            cells = [c for c in cells if c]
            pair = (cells[0].rstrip(":"), cells[1]) if len(cells) == 2 else None
        if pair and pair[0] and pair[1]:
            found.append((number, pair[0].strip(' "'), pair[1].strip(' ";,|').strip()))
    return found


def is_end_mark(cells: list[str], words: Vocabulary) -> bool:
    """Tell whether a line's first words say that it is a total, an average or an end mark."""
    first = next((c for c in cells if c.strip().strip('"').strip("#*-= ")), "")
    said = tokens(first)
    if not said:
        return all(set(c.strip()) <= set("-=*#_ ") for c in cells)
    text = normalise(first.strip().strip('"*#-= ').rstrip(":").strip())
    return text in words.end or said[0] in words.end or " ".join(said[:2]) in words.end
