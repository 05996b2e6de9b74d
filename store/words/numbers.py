"""The one place that turns a number into text: the digits that its uncertainty supports, durations as people say them.

Every renderer prints what `figure_text` says, so a figure reads alike on screen, on the command line and on a page.
Knows numbers and words only.
"""

from __future__ import annotations

import math

from store.model.spec import Shown

__all__ = [
    "COVERAGE",
    "clock_time",
    "decimals_of",
    "duration_text",
    "figure_text",
    "magnitude",
    "number",
    "shown_in",
    "significant",
    "size",
    "span_words",
    "uncertainty_digits",
]

COVERAGE = 2.0
"""Printed uncertainties are expanded by k = 2, about 95 % coverage (JCGM 100:2008, 6.2 and 6.3)."""

LEAST_SPAN_S = 300.0
"""From here on a duration is told in minutes and seconds, or hours and minutes; below, in seconds."""


_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0}


def number(value: float | None, decimals: int, *, missing: str = "") -> str:
    """A number with fixed decimals, thousands set apart, no minus before zero; `missing` for None and NaN."""
    if value is None or not math.isfinite(value):
        return missing
    text = f"{value:,.{max(decimals, 0)}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.,") else text


def magnitude(value: float, digits: int) -> int:
    """The power of ten of a number's first digit once it is rounded: 99.998 to four digits begins with hundreds."""
    return int(f"{value:.{digits - 1}e}".partition("e")[2])


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


def decimals_of(value: float, uncertainty: float | None, coverage: float = COVERAGE) -> int:
    """Decimals that the expanded uncertainty supports; four significant digits where it is unknown."""
    if uncertainty is not None and math.isfinite(uncertainty) and uncertainty > 0:
        return max(uncertainty_digits(coverage * uncertainty), 0)
    if value == 0 or not math.isfinite(value):
        return 0
    return min(max(3 - magnitude(value, 4), 0), 6)


def shown_in(unit: str, shown: Shown) -> tuple[float, str]:
    """The factor and the unit in which a value is read: a share in %, everything else as it is; 1 is no unit."""
    if shown is Shown.SHARE:
        return 100.0, "%"
    return 1.0, "" if unit == "1" else unit


def figure_text(
    value: float | None,
    uncertainty: float | None,
    unit: str,
    shown: Shown = Shown.NUMBER,
    *,
    coverage: float = COVERAGE,
    with_unit: bool = True,
) -> str:
    """A figure as every page prints it: `47.29 ± 0.12 Wh`, `76.8 ± 0.2 %`, `1 h 34 min`, `16,000 mAh`.

    Args:
        value: In `unit`; None and NaN give an empty text.
        uncertainty: Standard uncertainty (k = 1), in `unit`; 0 for what is exact, None where unknown, then no ± is
            printed.
        unit: As the trade prints it; `1` is not printed.
        shown: How it is read.
        coverage: The factor that expands the uncertainty.
        with_unit: False where the unit stands in the head of the column.
    """
    if value is None or not math.isfinite(value):
        return ""
    if shown is Shown.DURATION and unit in _SECONDS:
        factor = _SECONDS[unit]
        return duration_text(value * factor, None if uncertainty is None else uncertainty * factor, coverage=coverage)
    factor, read_in = shown_in(unit, shown)
    value, uncertainty = value * factor, None if uncertainty is None else uncertainty * factor
    text = _plain(value, uncertainty, coverage)
    return f"{text} {read_in}".rstrip() if with_unit else text


def _plain(value: float, uncertainty: float | None, coverage: float) -> str:
    if uncertainty == 0.0:  # a count, a set load, what is read off a case
        text = f"{value:,.10g}"
        return text if len(text) <= 12 else number(value, decimals_of(value, None))
    decimals = decimals_of(value, uncertainty, coverage)
    text = number(value, decimals)
    if uncertainty is not None and math.isfinite(uncertainty):
        text += f" ± {number(coverage * uncertainty, decimals)}"
    return text


def duration_text(seconds: float, uncertainty: float | None = None, *, coverage: float = COVERAGE) -> str:
    """A duration as people say it, with its ± in the same units: `38 min 5 s ± 2 s`, `2 h 1 min ± 1 min`, `22.4 s`.

    No finer than a second from five minutes on, where ± is rounded up, never down.

    Args:
        seconds: The duration [s].
        uncertainty: Standard uncertainty [s]; 0 for what is exact, None where unknown.
        coverage: The factor that expands it.
    """
    size = abs(seconds)
    sign = "-" if seconds < 0 else ""
    if uncertainty == 0.0:
        return sign + _exact_span(size)
    if size < LEAST_SPAN_S:
        if uncertainty is None or not math.isfinite(uncertainty):
            return f"{significant(seconds, 3, most_decimals=3)} s"
        return f"{_plain(seconds, uncertainty, coverage)} s"
    if uncertainty is None or not math.isfinite(uncertainty):
        return sign + (_span(size, 60) if size >= 3600 else _span(size, 1))
    expanded = coverage * uncertainty
    step = 60 if expanded >= 60 else 1
    around = math.ceil(round(expanded / step, 6)) * step
    return f"{sign}{_span(size, step)} ± {_span(float(around), step)}"


def _span(seconds: float, step: int) -> str:
    """A span to the second or to the minute: `1 h 34 min`, `31 min 10 s`, `12 s`."""
    whole = round(seconds / step) * step
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    named = [(hours, "h"), (minutes, "min"), (rest, "s")]
    return " ".join(f"{n} {unit}" for n, unit in named if n) or f"0 {'s' if step == 1 else 'min'}"


def _exact_span(seconds: float) -> str:
    """What was stated, as stated: `45 min`, `2 h`, `1 h 30 min`, `2.5 s`."""
    if seconds >= 60 and seconds == round(seconds):
        return _span(seconds, 1)
    return f"{seconds:.10g} s"


def span_words(seconds: float | None) -> str:
    """The length of a log in words: `31 min 10 s`, `2 h 4 min`, `0.4 s`."""
    if seconds is None or not math.isfinite(seconds):
        return ""
    if seconds < 60:
        return f"{significant(seconds, 2, most_decimals=2)} s"
    return _span(seconds, 1) if round(seconds) < 3600 else _span(seconds, 60)


def clock_time(seconds: float) -> str:
    """A moment in a run as h:mm:ss, with tenths only where it needs them."""
    sign, seconds = ("-", -seconds) if seconds < 0 else ("", seconds)
    tenths = round(seconds * 10)
    whole, rest = divmod(tenths, 10)
    text = f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return f"{text}.{rest}" if rest else text


def size(n: int) -> str:
    """A number of bytes in decimal units (IEC 80000-13: k = 1000)."""
    value = float(n)
    for unit in ("B", "kB", "MB", "GB"):
        if value < 1000 or unit == "GB":
            return f"{value:.0f} {unit}" if unit == "B" else f"{value:.1f} {unit}"
        value /= 1000
    return f"{n} B"
