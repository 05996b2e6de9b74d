"""What a cell can be by its notation: number, date, time, word; and which mark is the decimal one.

Knows notation and the vocabulary's words for nothing and too much. Knows no table.
"""

from __future__ import annotations

import re
from collections import Counter
from functools import lru_cache

from importers.clock.dialects import DAY_PARTS, tidy
from importers.vocabulary.words import Vocabulary, normalise

__all__ = ["ALIKE", "BLANKS", "NUMBER", "VALUES", "cell_kind", "find_decimal"]

NUMBER = re.compile(
    r"[+\-\u2212]?(?:\d{1,3}(?:[ ,.'\u2019\u00a0\u2009\u202f]\d{3})+(?![\d])|\d+)?(?:[.,]\d*)?(?:[eE][+\-]?\d{1,3})?$"
)
_WITH_UNIT = re.compile(
    r"([+\-\u2212]?[\d.,' \u2019\u00a0\u2009\u202f]*\d[\d.,]*(?:[eE][+\-]?\d{1,3})?)"
    r"\s*((?:[^\W\d_]|[°℃℉%˚º])(?:[^\W\d_]|[°.·⋅*˚º℃ ]){0,5})$"
)
_DATE = re.compile(
    r"(?:\d{4}([\-/.])\d{1,2}\1\d{1,2}|\d{1,2}([\-/.])\d{1,2}\2(?:\d{4}|\d{2})|\d{1,2}[\- ][A-Za-z]{3}[\- ]\d{2,4}"
    r"|\d{8}(?=T)"
    r"|\d{4}年\d{1,2}月\d{1,2}日)\.?"
)
_TIME = re.compile(
    r"\d{1,4}:\d{1,2}(?::\d{1,2}(?:[.,:]\d{1,9})?|\.\d{1,9})?(?: ?[AaPp]\.?[Mm]\.?)?(?: ?(?:Z|UTC|[+\-]\d{2}:?\d{2}))?$"
)
_DAYS_AND_TIME = re.compile(r"\d+(?:\s*d(?:ays?)?,?\s*|\.)\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?$")
_COMPACT = re.compile(r"\d{8}T\d{6}(?:[.,]\d+)?Z?$")
_FIGURE = re.compile(r"[+\-\u2212]?([\d.,' \u2019\u00a0\u2009\u202f]*\d)(?:[eE][+\-]?\d+)?\s*(?:[^\W\d_]|[°%℃·⋅])*$")
_THREE_COMMA = re.compile(r"[1-9]\d{0,2},\d{3}$")
_THREE_POINT = re.compile(r"[1-9]\d{0,2}\.\d{3}$")
_SAME = str.maketrans("23456789", "11111111")
"""Digits but zero look alike: of digits, decimal marks are told by a zero in front and nothing else."""
ALIKE = str.maketrans("123456789", "000000000")
"""All digits look alike: what kind a cell is does not depend on them."""
VALUES = frozenset({"number", "unit-number", "date", "time", "datetime"})
BLANKS = frozenset({"empty", "missing", "overload"})


def cell_kind(cell: str, words: Vocabulary) -> str:
    """Tell what a cell can be: number, unit-number, date, time, datetime, empty, missing, overload or text."""
    return _kind_of(cell.translate(ALIKE), words)


@lru_cache(maxsize=8192)
def _kind_of(cell: str, words: Vocabulary) -> str:
    """The kind of all cells of one notation: a table's thousands of numbers have a dozen."""
    cell = cell.strip().strip("\"'").strip()
    if not cell:
        return "empty"
    first = cell[0]
    if first.isdigit() or first in "+-.,\u2212":
        if NUMBER.match(cell) and any(c.isdigit() for c in cell):
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
    if found := _odd_clock(cell):
        return found
    plain = normalise(cell)
    if plain in words.missing:
        return "missing"
    if plain in words.overload or (cell.startswith("#") and set(cell) == {"#"}):
        return "overload"
    return "text"


def _odd_clock(cell: str) -> str:
    """Tell dates, times and durations beyond the usual notation; empty where a cell is none."""
    if len(cell) > 60 or not any(c.isdigit() for c in cell):
        return ""
    if _DAYS_AND_TIME.match(cell) or re.match(DAY_PARTS, cell):
        return "time"
    plain = tidy(cell)
    if plain == cell:
        return ""
    date = _DATE.match(plain)
    rest = plain[date.end() :].strip(" T,") if date else plain
    if rest and not _TIME.match(rest):
        return ""
    return "datetime" if date and rest else "date" if date else "time"


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
        if space := next((s for s in " '\u2019\u00a0\u2009\u202f" if s in body), ""):
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
