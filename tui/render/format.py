"""Quantity and unit to text, with the digits that the uncertainty supports.

Knows numbers and words: no Textual, no library, no file.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from store.model.spec import Shown
from store.words.clock import clock_form, local_date, local_time
from store.words.numbers import (
    clock_time,
    decimals_of,
    figure_text,
    number,
    significant,
    size,
    span_words,
    uncertainty_digits,
)

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


def reading(
    value: float | None, uncertainty: float | None, unit: str, *, signs: Signs = UNICODE_SIGNS, missing: str = ""
) -> str:
    """A measured value with its expanded uncertainty (k = 2) and unit, in the signs at hand: `38.40 ± 0.06 Wh`.

    Args:
        value: The value, in `unit`; None or NaN where there is none.
        uncertainty: Standard uncertainty (k = 1), in `unit`; None where unknown, then no ± is printed.
        unit: Unit as the trade prints it; `1` is not printed.
        signs: What the terminal can draw.
        missing: What stands for no value.
    """
    text = figure_text(value, uncertainty, unit, Shown.DURATION if unit == "s" else Shown.NUMBER)
    return signs.unit(text).replace("±", signs.plus_minus) if text else missing


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


def short_mode(mode: str) -> str:
    """A mode in a list: most runs are at a fixed voltage, which then stands alone: `20 V`."""
    return mode.removeprefix("fixed ")


def axis_time(seconds: float, step_s: float) -> str:
    """A time on an axis whose labels lie `step_s` apart: no finer than needed."""
    if step_s >= 60:
        return hours_minutes(round(seconds / 60) * 60.0)
    if step_s >= 1:
        return clock_time(float(round(seconds)))
    decimals = min(max(math.ceil(-math.log10(step_s)), 1), 6) if step_s > 0 else 1
    whole = math.floor(seconds / 60)
    return f"{whole // 60}:{whole % 60:02d}:{seconds - whole * 60:0{3 + decimals}.{decimals}f}"
