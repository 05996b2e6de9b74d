"""Quantity and unit to text, with the digits that the uncertainty supports.

Knows numbers and words: no Textual, no library, no file.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import datetime, tzinfo
from typing import NamedTuple

__all__ = [
    "ASCII_SIGNS",
    "UNICODE_SIGNS",
    "Signs",
    "align_on_point",
    "axis_time",
    "clock_form",
    "clock_time",
    "count",
    "decimals_of",
    "hours_minutes",
    "local_date",
    "local_time",
    "number",
    "reading",
    "reading_within",
    "short_mode",
    "significant",
    "size",
    "span_words",
    "uncertainty_digits",
]

COVERAGE = 2.0
"""Printed uncertainties are expanded by k = 2, about 95 % coverage (JCGM 100:2008, 6.2 and 6.3)."""


_CLOCK_LETTERS = {
    "%Y": "YYYY",
    "%y": "YY",
    "%m": "MM",
    "%b": "MMM",
    "%d": "DD",
    "%H": "hh",
    "%I": "hh",
    "%M": "mm",
    "%S": "ss",
    "%.f": ".fff",
    "%p": "am/pm",
    "%z": "\u00b1hh:mm",
}
_CLOCK_CODE = re.compile("|".join(re.escape(code) for code in _CLOCK_LETTERS))


class Signs(NamedTuple):
    """The signs that a terminal may or may not be able to draw."""

    plus_minus: str
    degree_c: str
    ohm: str
    missing: str
    cursor: str
    mark: str
    event: str
    rule: str
    ellipsis: str
    up: str
    down: str
    picked: str
    unpicked: str
    enter: str
    left_right: str

    def unit(self, unit: str) -> str:
        """A unit in the signs at hand: `°C` or `degC`, `Ω` or `Ohm`; the unit one is nothing."""
        if unit == "1":
            return ""
        return unit.replace("°C", self.degree_c).replace("Ω", self.ohm)

    @property
    def is_ascii(self) -> bool:
        """Whether only ASCII may be printed."""
        return self.rule == "-"


UNICODE_SIGNS = Signs(
    plus_minus="±",
    degree_c="°C",
    ohm="Ω",
    missing="–",  # noqa: RUF001 (a dash in a column of figures is wanted)
    cursor="▌",
    mark="●",
    event="▴",
    rule="─",
    ellipsis="…",
    up="↑",
    down="↓",
    picked="■",
    unpicked="□",
    enter="↵",
    left_right="← →",
)
ASCII_SIGNS = Signs(
    plus_minus="+-",
    degree_c="degC",
    ohm="Ohm",
    missing="-",
    cursor=">",
    mark="*",
    event="^",
    rule="-",
    ellipsis="...",
    up="^",
    down="v",
    picked="x",
    unpicked=".",
    enter="enter",
    left_right="< >",
)


def is_number(value: object) -> bool:
    """Whether a value is a finite number (None, NaN and infinities are not)."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def number(value: float | None, decimals: int, *, missing: str = "") -> str:
    """A number with fixed decimals and thousands set apart; `missing` for None and NaN."""
    if value is None or not math.isfinite(value):
        return missing
    text = f"{value:,.{max(decimals, 0)}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.,") else text


def significant(value: float | None, digits: int = 3, *, most_decimals: int = 3, missing: str = "") -> str:
    """A number with at least so many significant digits, never fewer than its whole part.

    Args:
        value: The number.
        digits: Significant digits wanted.
        most_decimals: Limit of decimals, so that 0.0004 does not fill a column.
        missing: What stands for None and NaN.
    """
    if value is None or not math.isfinite(value):
        return missing
    if value == 0:
        return "0"
    return number(value, min(max(digits - 1 - magnitude(value, digits), 0), most_decimals))


def magnitude(value: float, digits: int) -> int:
    """The power of ten of a number's first digit once it is rounded: 99.998 to four digits begins with hundreds."""
    return int(f"{value:.{digits - 1}e}".partition("e")[2])


def uncertainty_digits(uncertainty: float) -> int:
    """Decimals to which an uncertainty, and with it its value, is printed.

    Two significant digits where the three leading ones are 100 to 354, else one; 950 to 999 becomes 1000 and
    keeps two. Negative: places before the point.

    Source: Particle Data Group, Review of Particle Physics, Introduction, section "Rounding" (rule as from
    memory); within the "at most two significant digits" of JCGM 100:2008, 7.2.6.
    """
    exponent = math.floor(math.log10(uncertainty))
    leading = round(uncertainty / 10.0 ** (exponent - 2))
    if leading >= 1000:
        leading, exponent = leading // 10, exponent + 1
    if leading >= 950:
        return -exponent
    return 1 - exponent if leading <= 354 else -exponent


def decimals_of(value: float, uncertainty: float | None) -> int:
    """Decimals that the expanded uncertainty supports; four significant digits where it is unknown."""
    if uncertainty is not None and math.isfinite(uncertainty) and uncertainty > 0:
        return max(uncertainty_digits(COVERAGE * uncertainty), 0)
    if value == 0 or not math.isfinite(value):
        return 0
    return min(max(3 - magnitude(value, 4), 0), 6)


def reading(
    value: float | None, uncertainty: float | None, unit: str, *, signs: Signs = UNICODE_SIGNS, missing: str = ""
) -> str:
    """A measured value with its expanded uncertainty (k = 2) and unit: `38.40 ± 0.06 Wh`.

    Args:
        value: The value, in `unit`; None or NaN where there is none.
        uncertainty: Standard uncertainty (k = 1), in `unit`; None where unknown, then no ± is printed.
        unit: Unit as the trade prints it; `1` is not printed.
        signs: What the terminal can draw.
        missing: What stands for no value.
    """
    if value is None or not math.isfinite(value):
        return missing
    decimals = decimals_of(value, uncertainty)
    parts = [number(value, decimals)]
    if uncertainty is not None and math.isfinite(uncertainty) and uncertainty > 0:
        parts += [signs.plus_minus, number(COVERAGE * uncertainty, decimals)]
    if shown := signs.unit(unit):
        parts.append(shown)
    return " ".join(parts)


def reading_within(width: int, value: float | None, uncertainty: float | None, unit: str, *, signs: Signs) -> str:
    """A reading that fits a width: without its uncertainty where there is no room for both, never cut in a number."""
    whole = reading(value, uncertainty, unit, signs=signs, missing=signs.missing)
    if len(whole) <= width or value is None or not math.isfinite(value):
        return whole
    return " ".join(part for part in (number(value, decimals_of(value, uncertainty)), signs.unit(unit)) if part)


def align_on_point(texts: Sequence[str]) -> list[str]:
    """Pad numbers so that their decimal points stand in one column; all come out equally wide."""
    tails = [len(text) - text.index(".") if "." in text else 0 for text in texts]
    longest = max(tails, default=0)
    padded = [text + " " * (longest - tail) for text, tail in zip(texts, tails, strict=True)]
    width = max((len(text) for text in padded), default=0)
    return [text.rjust(width) for text in padded]


def count(n: int) -> str:
    """A whole number with thousands set apart: `1,204`."""
    return f"{n:,}"


def hours_minutes(seconds: float | None, *, missing: str = "") -> str:
    """A duration as h:mm, rounded to the minute; under a minute as `0:00:37`."""
    if seconds is None or not math.isfinite(seconds):
        return missing
    if 0 < seconds < 60:
        return clock_time(seconds)
    minutes = round(seconds / 60)
    return f"{minutes // 60}:{minutes % 60:02d}"


def clock_time(seconds: float) -> str:
    """A moment in a run as h:mm:ss, with tenths only where it needs them."""
    sign, seconds = ("-", -seconds) if seconds < 0 else ("", seconds)
    tenths = round(seconds * 10)
    whole, rest = divmod(tenths, 10)
    text = f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return f"{text}.{rest}" if rest else text


def short_mode(mode: str) -> str:
    """A mode in a list: most runs are at a fixed voltage, which then stands alone: `20 V`."""
    return mode.removeprefix("fixed ")


def clock_form(code: str) -> str:
    """How a clock's cells are written, for people: `%d.%m.%Y %H:%M:%S%.f` is `DD.MM.YYYY hh:mm:ss.fff`.

    Source of the letters: ISO 8601-1:2019, 3.2 (from memory). What is no such code stays as it is.
    """
    return _CLOCK_CODE.sub(lambda m: _CLOCK_LETTERS[m[0]], code)


def axis_time(seconds: float, step_s: float) -> str:
    """A time on an axis whose labels lie `step_s` apart: no finer than needed."""
    if step_s >= 60:
        return hours_minutes(round(seconds / 60) * 60.0)
    if step_s >= 1:
        return clock_time(float(round(seconds)))
    decimals = min(max(math.ceil(-math.log10(step_s)), 1), 6) if step_s > 0 else 1
    whole = math.floor(seconds / 60)
    return f"{whole // 60}:{whole % 60:02d}:{seconds - whole * 60:0{3 + decimals}.{decimals}f}"


def span_words(seconds: float | None) -> str:
    """A duration in words: `31 min 10 s`, `2 h 4 min`, `0.4 s`."""
    if seconds is None or not math.isfinite(seconds):
        return ""
    if seconds < 60:
        return f"{significant(seconds, 2, most_decimals=2)} s"
    whole = round(seconds)
    if whole < 3600:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    minutes = round(whole / 60)
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def size(n: int) -> str:
    """A number of bytes in decimal units (IEC 80000-13: k = 1000)."""
    value = float(n)
    for unit in ("B", "kB", "MB", "GB"):
        if value < 1000 or unit == "GB":
            return f"{value:.0f} {unit}" if unit == "B" else f"{value:.1f} {unit}"
        value /= 1000
    return f"{n} B"


def local_date(moment: datetime | None, zone: tzinfo | None = None, *, missing: str = "") -> str:
    """The day of a moment in the library's zone, as ISO 8601."""
    return missing if moment is None else moment.astimezone(zone).date().isoformat()


def local_time(moment: datetime | None, zone: tzinfo | None = None, *, missing: str = "") -> str:
    """Day and minute of a moment in the library's zone."""
    return missing if moment is None else moment.astimezone(zone).strftime("%Y-%m-%d %H:%M")
