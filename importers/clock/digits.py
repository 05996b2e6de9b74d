"""Clocks made of whole numbers: one number such as 20260514103000, or a column for each part of the time.

Knows digits only. What each column is stands in the form: `digits:` and a letter for each column.
"""

from __future__ import annotations

import polars as pl

__all__ = ["COMPACT", "from_digits"]

COMPACT = {"S": 14, "M": 12, "D": 8, "T": 6}
"""Digits of a stamp YYYYMMDDhhmmss, of one without seconds, of a day YYYYMMDD, of a time hhmmss."""
_SIZES = {"d": 86400.0, "h": 3600.0, "m": 60.0, "s": 1.0}


def from_digits(form: str, cells: list[pl.Series], decimal: str) -> pl.Series:
    """Read a clock of whole numbers.

    Args:
        form: `digits:` and one letter for each column: Y, O, A year, month and day; h, m, s parts of the time;
            S, M a stamp of 14 or 12 digits; D a day of 8; T a time of 6; X a date as text, by the strptime format
            behind `|`.
        cells: the columns, numbers as Float64 or text.
        decimal: decimal mark of the file's numbers.

    Returns:
        Int64 microseconds of 1970 where a date is among them, else Float64 seconds; NULL where a cell can't be read.
    """
    letters, _, dated = form.removeprefix("digits:").partition("|")
    parts = {
        letter: _date(column, dated) if letter == "X" else _number(column, decimal)
        for letter, column in zip(letters, cells, strict=True)
    }
    seconds = _seconds(parts)
    day = _day(parts)
    if day is None:
        return seconds
    return (day.cast(pl.Int64) * 86_400_000_000) + (seconds * 1e6).round(0).cast(pl.Int64, strict=False)


def _number(column: pl.Series, decimal: str) -> pl.Series:
    if column.dtype != pl.String:
        return column.cast(pl.Float64)
    text = column.str.strip_chars(" \t\r\"'")
    if decimal == ",":
        text = text.str.replace(",", ".", literal=True)
    return text.cast(pl.Float64, strict=False)


def _date(column: pl.Series, form: str) -> pl.Series:
    return column.str.strip_chars(" \t\r\"'").str.to_date(form, strict=False)


def _seconds(parts: dict[str, pl.Series]) -> pl.Series:
    """Seconds of the parts of a time, each within its bounds but the first."""
    first = next(iter(parts.values()))
    total = pl.zeros(len(first), eager=True)
    is_first = True
    for letter, column in parts.items():
        if letter in _SIZES:
            good = column >= 0 if is_first else (column >= 0) & (column < 60)
            total = pl.select(pl.when(good).then(total + column * _SIZES[letter])).to_series()
            is_first = False
        elif letter in {"S", "M", "T"}:
            rest = column % 1e6 if letter in {"S", "T"} else (column % 1e4) * 100.0
            h, m, s = rest // 1e4, (rest // 100) % 100, rest % 100
            good = (h < 24) & (m < 60) & (s < 61)
            total = pl.select(pl.when(good).then(h * 3600.0 + m * 60.0 + s)).to_series()
    return total


def _day(parts: dict[str, pl.Series]) -> pl.Series | None:
    """The day as Date; None where no part tells one."""
    if "X" in parts:
        return parts["X"].cast(pl.Int32)
    if {"Y", "O", "A"} <= set(parts):
        year, month, day = (parts[x] for x in "YOA")
    elif letter := next((x for x in "SMD" if x in parts), ""):
        date = (parts[letter] / {"S": 1e6, "M": 1e4, "D": 1.0}[letter]).floor()
        year, month, day = (date / 1e4).floor(), (date / 100).floor() % 100, date % 100
    else:
        return None
    text = pl.select(
        pl.concat_str(
            *(
                pl.lit(x.cast(pl.Int64, strict=False).cast(pl.String).str.zfill(n))
                for x, n in ((year, 4), (month, 2), (day, 2))
            ),
            separator="-",
        )
    ).to_series()
    return text.str.to_date("%Y-%m-%d", strict=False).cast(pl.Int32)
