"""How clocks are written: recognise a column's form, and turn its cells into seconds or microseconds.

Knows notation of time (ISO 8601, RFC 3339, trade habit). What a jump or a repeat means is in `timeline`.
"""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass, replace

import polars as pl

from importers.clock.dialects import DAY_PARTS, is_dotted_time, parted, tidied, tidy, undotted
from importers.clock.digits import from_digits

__all__ = ["ClockForm", "TextClock", "read_clock_text", "to_clock", "utc_microseconds", "zone_known"]

_DATE_PARTS = re.compile(
    r"^(?P<a>\d{1,4})(?P<s>[\-/.])(?P<b>\d{1,2})(?P=s)(?P<c>\d{1,4})\.?(?P<gap>T|,? +| ?, ?|$)(?P<rest>.*)$"
)
_NAMED_MONTH = re.compile(r"^\d{1,2}(?P<s>[\- ])(?P<month>[A-Za-z]{3})(?P=s)(?P<c>\d{2,4})(?P<gap>T| +|$)(?P<rest>.*)$")
_ENGLISH = frozenset(["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"])
_CJK_DATE = re.compile(r"^\d{4}年\d{1,2}月\d{1,2}日(?P<gap> ?)(?P<rest>.*)$")
_COMPACT = re.compile(r"^\d{8}T\d{6}(?P<fraction>[.,]\d+)?(?P<zulu>Z)?$")
_TIME = re.compile(
    r"^(?P<h>\d{1,4}):(?P<m>\d{1,2})(?::(?P<s>\d{1,2})(?P<f>[.,]\d{1,9}|:\d{1,3})?)?(?P<f2>\.\d+)?"
    r"(?P<gap> ?)(?P<pm>[AaPp]\.?[Mm]\.?)?(?P<zgap> ?)(?P<z>Z|UTC|[+\-]\d{2}:?\d{2})?$"
)
_DAYS = r"^\s*(?:(\d+)(?:\s*d(?:ays?)?,?\s*|[. ]))?(\d+):(\d{1,2})(?::(\d{1,2}))?(?:[.,](\d+))?\s*$"


@dataclass(frozen=True, slots=True)
class ClockForm:
    """How a clock is to be read from its columns."""

    source: str
    """`elapsed`, `wall clock`, `time of day`, `unix`, `serial day`, `sample number`."""
    columns: tuple[int, ...]
    """Positions of the columns: one, or date and time."""
    factor: float = 1.0
    """Seconds per unit of a numeric clock."""
    unit: str = ""
    format: str = ""
    """strptime format of a wall clock, `h:m:s`, `m:s` or `h:m` of a text duration, empty for numbers.

    `~` in front: names, half days and compact stamps are brought to digits first. `.` in front: points are colons.
    `1h2m3s`: letters behind the parts. `digits:` and letters: numbers such as 20260514103000, or a clock in parts.
    """
    has_zone: bool = False
    """True where the cells hold an offset from UTC."""
    interval_s: float | None = None
    """Time between samples where there is only a sample number [s]."""
    is_descending: bool = False


@dataclass(frozen=True, slots=True)
class TextClock:
    """What a column of clock texts can be."""

    kind: str
    """`datetime`, `date`, `time` (of day or elapsed) or empty where it is none."""
    formats: tuple[str, ...] = ()
    """Formats that fit; more than one where the order of day and month is open."""
    has_zone: bool = False
    reason: str = ""
    dialect: str = ""
    """`~` or `.`: what stands before the format of a `ClockForm`."""


def read_clock_text(samples: list[str], *, day_first: str = "") -> TextClock:
    """Recognise dates and times in sample cells.

    Args:
        samples: texts of one column.
        day_first: evidence from elsewhere (language, decimal comma) that dates are day first, as a reason.
    """
    texts = [s for s in (t.strip().strip('"').strip() for t in samples) if s]
    if not texts:
        return TextClock("")
    found = _plain_clock(texts, day_first)
    if found.kind and not (found.kind == "date" and is_dotted_time(texts)):
        return found
    if is_dotted_time(texts):
        return replace(_plain_clock([t.replace(".", ":", 2) for t in texts], day_first), dialect=".")
    if sum(bool(re.match(DAY_PARTS, t)) for t in texts) >= 0.9 * len(texts):
        return TextClock("time", ("1h2m3s",), reason="durations with letters")
    found = _plain_clock([tidy(t) for t in texts], day_first)
    return replace(found, dialect="~") if found.kind else found


def _plain_clock(texts: list[str], day_first: str) -> TextClock:
    """Recognise dates and times of digits."""
    if all(_COMPACT.match(t) for t in texts):
        zulu = texts[0].endswith("Z")
        fraction = "%.f" if any(_COMPACT.match(t)["fraction"] for t in texts) else ""  # type: ignore[index]
        return TextClock("datetime", (f"%Y%m%dT%H%M%S{fraction}{'Z' if zulu else ''}",), zulu, "ISO 8601 basic form")
    if times := [_TIME.match(t) for t in texts]:
        matched = [m for m in times if m]
        if len(matched) >= 0.9 * len(texts):
            return _time_of(matched)
    if re.match(_DAYS, texts[0]):
        return TextClock("time", ("h:m:s",), reason="durations with days")
    return _date_of(texts, day_first)


def _time_of(matched: list[re.Match[str]]) -> TextClock:
    form, zone = _time_format(matched)
    if any(m["pm"] for m in matched):
        return TextClock("time", (form,), zone, "12-hour time")
    if all(m["s"] is not None for m in matched):
        return TextClock("time", ("h:m:s",), zone, "hours:minutes:seconds")
    if any(m["s"] is not None for m in matched):
        return TextClock("time", ("m:s+",), zone, "minutes:seconds, with hours from the first hour on")
    if any(m["f2"] for m in matched):
        return TextClock("time", ("m:s",), zone, "minutes:seconds with decimals")
    firsts = [int(m["h"]) for m in matched]
    if max(firsts) > 59:
        return TextClock("time", ("m:s",), zone, "minutes:seconds, the first part passes 59")
    return TextClock("time", ("h:m", "m:s"), zone, "two parts: hours:minutes or minutes:seconds")


def _time_format(matched: list[re.Match[str]]) -> tuple[str, bool]:
    """Build the strptime format of times of day."""
    one = next((m for m in matched if m["f"]), matched[0])
    clock = "%I" if one["pm"] else "%H"
    form = f"{clock}:%M" + (":%S" if one["s"] is not None else "") + ("%.f" if one["f"] else "")
    if one["pm"]:
        form += ("" if not one["gap"] else " ") + "%p"
    if one["z"]:
        form += one["zgap"] + ("Z" if one["z"] == "Z" else "UTC" if one["z"] == "UTC" else "%z")
    return form, bool(one["z"])


def _date_of(texts: list[str], day_first: str) -> TextClock:
    for pattern in (_CJK_DATE, _NAMED_MONTH, _DATE_PARTS):
        matched = [m for m in (pattern.match(t) for t in texts) if m]
        if pattern is _NAMED_MONTH and not all(m["month"].casefold() in _ENGLISH for m in matched):
            continue  # names in other languages are brought to digits first
        if len(matched) >= 0.9 * len(texts):
            break
    else:
        return TextClock("")
    rests = [m["rest"] for m in matched]
    tail, zone = "", False
    if any(rests):
        times = [m for m in (_TIME.match(r) for r in rests) if m]
        if len(times) < 0.9 * len(rests):
            return TextClock("")
        form, zone = _time_format(times)
        gap = matched[0]["gap"]
        tail = (" " if gap.isspace() else gap) + form
    kind = "datetime" if tail else "date"
    if pattern is _CJK_DATE:
        return TextClock(kind, (f"%Y年%m月%d日{tail}",), zone, "date with year, month and day signs")
    if pattern is _NAMED_MONTH:
        year = "%Y" if len(matched[0]["c"]) == 4 else "%y"
        mark = matched[0]["s"]
        return TextClock(kind, (f"%d{mark}%b{mark}{year}{tail}",), zone, "date with a month's name")
    orders, why = _orders(matched, day_first)
    if not orders:
        return TextClock("")
    return TextClock(kind, tuple(o + tail for o in orders), zone, why)


def _orders(matched: list[re.Match[str]], day_first: str) -> tuple[list[str], str]:
    """Tell the order of day, month and year."""
    mark = matched[0]["s"]
    a = [int(m["a"]) for m in matched]
    b = [int(m["b"]) for m in matched]
    c = [int(m["c"]) for m in matched]
    if len(matched[0]["a"]) == 4:
        if max(b) > 12:
            return [f"%Y{mark}%d{mark}%m"], "year, day, month: the second part passes 12"
        return [f"%Y{mark}%m{mark}%d"], "year first, as in ISO 8601"
    long_year = len(matched[0]["c"]) == 4
    year = "%Y" if long_year else "%y"
    dmy, mdy, ymd = f"%d{mark}%m{mark}{year}", f"%m{mark}%d{mark}{year}", f"%y{mark}%m{mark}%d"
    fits = []
    if max(a) <= 31 and max(b) <= 12:
        fits.append(dmy)
    if max(a) <= 12 and max(b) <= 31:
        fits.append(mdy)
    if not long_year and max(b) <= 12 and max(c) <= 31 and min(a) >= 15 and max(a) <= 60:
        fits.append(ymd)
    if not long_year and len(fits) > 1 and not 15 <= min(c) <= 60:
        fits = [f for f in fits if f == ymd] or fits
    if len(fits) > 1 and mark == "." and dmy in fits:
        return [dmy], "dates with points are day first"
    if len(fits) > 1 and len(set(zip(a, b, strict=True))) > 1:
        moving = _moving(a, b, c)
        if moving == "a" and dmy in fits:
            return [dmy], "the first part advances from day to day"
        if moving == "b" and mdy in fits:
            return [mdy], "the second part advances from day to day"
    if len(fits) > 1 and day_first and dmy in fits and long_year:
        return [dmy], f"day first: {day_first}"
    if len(fits) == 1:
        first = {"%d": "day", "%m": "month"}.get(fits[0][:2], "year")
        return fits, f"{first} first, for no other order fits the values"
    return fits, "day and month could be either way round"


def _moving(a: list[int], b: list[int], c: list[int]) -> str:
    """Tell which part steps by one within a log of days: `a`, `b` or empty where it can't be told."""
    changed_a = any(abs(y - x) == 1 for x, y in itertools.pairwise(a))
    changed_b = any(abs(y - x) == 1 for x, y in itertools.pairwise(b))
    if changed_a and len(set(b)) == 1 and len(set(c)) == 1:
        return "a"
    return "b" if changed_b and len(set(a)) == 1 and len(set(c)) == 1 else ""


def to_clock(form: ClockForm, cells: list[pl.Series], decimal: str) -> pl.Series:
    """Turn clock cells into Float64 seconds (elapsed, time of day) or Int64 microseconds of 1970 (dates).

    Args:
        form: how to read them.
        cells: the columns of `form.columns`, String or Float64.
        decimal: decimal mark of the file's numbers.

    Returns:
        One value per row, NULL where the cell can't be read.
    """
    column = cells[0]
    if form.format.startswith("digits:"):
        return from_digits(form.format, cells, decimal)
    if form.format == "1h2m3s":
        return parted(column)
    if form.format.startswith((".", "~")):
        change = undotted if form.format[0] == "." else tidied
        whole = _as_text(cells[0]) if len(cells) == 1 else _as_text(cells[0]) + " " + _as_text(cells[1])
        cells = [change(whole)]
        form = replace(form, format=form.format[1:])
        column = cells[0]
    if form.format in {"h:m:s", "m:s", "h:m", "m:s+"}:
        return _durations(column, form.format)
    if form.format:
        return _dates(form.format, cells)
    values = column if column.dtype == pl.Float64 else _numbers(column, decimal)
    if form.source == "sample number":
        return values * (form.interval_s or 1.0)
    if form.source == "unix":
        return (values * (form.factor * 1e6)).round(0).cast(pl.Int64, strict=False)
    if form.source == "serial day":  # day 25569 of the 1900 system is 1970-01-01
        return ((values - 25569.0) * 86400e3).round(0).cast(pl.Int64, strict=False) * 1000
    return values if form.factor == 1.0 else values * form.factor


def _numbers(column: pl.Series, decimal: str) -> pl.Series:
    text = column.str.strip_chars(" \t\r\"'")
    if text.str.contains(r"\d[ '\u2019\u00a0\u2009\u202f]\d").any():
        grouped = (
            r"^([+\-]?\d{1,3})[ '\u2019\u00a0\u2009\u202f](\d{3})(?:[ '\u2019\u00a0\u2009\u202f](\d{3}))?([.,]\d+)?$"
        )
        text = text.str.replace(grouped, "${1}${2}${3}${4}")
    if decimal == ",":
        text = text.str.replace(",", ".", literal=True)
    text = text.str.replace(r"^([+\-]?[\d.]+(?:[eE][+\-]?\d+)?)\s*[a-zA-Zµ]{1,3}$", "$1")
    values = text.cast(pl.Float64, strict=False)
    return pl.select(pl.when(values.is_finite()).then(values)).to_series()


def _durations(column: pl.Series, form: str) -> pl.Series:
    text = column.str.strip_chars(" \t\r\"'")
    groups = text.str.extract_groups(_DAYS).struct.unnest()
    day, one, two, three, fraction = (groups.to_series(i) for i in range(5))
    days = day.cast(pl.Float64, strict=False).fill_null(0.0)
    a, b = one.cast(pl.Float64, strict=False), two.cast(pl.Float64, strict=False)
    c = three.cast(pl.Float64, strict=False)
    rest = ("0." + fraction).cast(pl.Float64, strict=False).fill_null(0.0)
    if form == "h:m:s":
        seconds = a * 3600.0 + b * 60.0 + c
        good = (b < 60.0) & (c <= 60.0)
    elif form == "m:s":
        seconds = a * 60.0 + b
        good = (b < 60.0) & three.is_null()
    elif form == "h:m":
        seconds = a * 3600.0 + b * 60.0
        good = (b < 60.0) & three.is_null()
    else:
        seconds = pl.select(
            pl.when(three.is_null()).then(a * 60.0 + b).otherwise(a * 3600.0 + b * 60.0 + c)
        ).to_series()
        good = b < 60.0
    total = days * 86400.0 + seconds + rest
    return pl.select(pl.when(good).then(total)).to_series()


def _as_text(cells: pl.Series) -> pl.Series:
    return cells.str.strip_chars(" \t\r\"'") if cells.dtype == pl.String else cells.cast(pl.Int64).cast(pl.String)


def _dates(form: str, cells: list[pl.Series]) -> pl.Series:
    text = _as_text(cells[0])
    if len(cells) > 1:
        text = text + " " + _as_text(cells[1])
    elif not re.search(r"%[Yy]", form):
        text, form = "1970-01-01 " + text, "%Y-%m-%d " + form
    if "%.f" in form:
        text = text.str.replace(",", ".", literal=True).str.replace(r"(:\d{2}:\d{2}):(\d{1,3})", "$1.$2")
    if "%p" in form:
        text = text.str.replace_all(r"([AaPp])\.?([Mm])\.?", "$1$2")
    if " " in form:
        text = text.str.replace_all(r" {2,}", " ")
    parsed = text.str.to_datetime(form, time_unit="us", strict=False, ambiguous="earliest")
    return parsed.cast(pl.Int64)


def zone_known(zone: str) -> bool:
    """Tell whether a time zone's name is known."""
    try:
        pl.Series([0], dtype=pl.Datetime("us")).dt.replace_time_zone(zone)
    except pl.exceptions.PolarsError:
        return False
    return True


def utc_microseconds(local_us: int, zone: str, *, latest: bool = False) -> int | None:
    """Read a local time in a zone: microseconds of 1970 in UTC; None for a time that the zone skips."""
    local = pl.Series([local_us], dtype=pl.Datetime("us"))
    placed = local.dt.replace_time_zone(zone, ambiguous="latest" if latest else "earliest", non_existent="null")
    value = placed.cast(pl.Int64)[0]
    return None if value is None else int(value)
