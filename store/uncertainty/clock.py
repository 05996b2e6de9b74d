"""The accuracy of a meter's clock. Knows text and numbers only."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from store.errors import StoreError
from store.model.results import Contribution

__all__ = ["ASSUMED", "Clock", "ClockError", "clock_part", "parse_clock"]

ASSUMED = 1e-3
"""Limit of a clock that nothing is stated of: 0.1 %. Assumed, no source; a quartz is ten times better, a meter that
writes `about once a second` may be no better."""
WORST = 0.05
"""A clock that is stated to be worse than 5 % is a slip of the pen."""

_FORM = re.compile(
    r"(?:±|\+\s*/?\s*-)?\s*(\d+(?:[.,]\d*)?|[.,]\d+)\s*(ppm|%|s\s*/\s*d(?:ay)?|s\s+(?:a|per)\s+day)", re.IGNORECASE
)


class ClockError(StoreError):
    """An accuracy of a clock that can't be read."""

    @classmethod
    def unreadable(cls, text: str) -> ClockError:
        """No number with a unit that is known."""
        return cls(f"Clock {text!r}: can't read it. Write `50 ppm`, `0.01 %` or `2 s/day`.")

    @classmethod
    def wild(cls, text: str) -> ClockError:
        """So bad that it must be a slip."""
        return cls(f"Clock {text!r}: over {WORST * 100:g} % is not plausible. Write `50 ppm`, `0.01 %` or `2 s/day`.")


@dataclass(frozen=True, slots=True)
class Clock:
    """Limit of a clock's rate error, rectangular within it."""

    limit: float = ASSUMED
    """Share of any time that it measures."""
    text: str = ""
    """As stated; empty where the limit is assumed."""

    @property
    def is_assumed(self) -> bool:
        """Whether nothing was stated."""
        return not self.text


def parse_clock(text: str) -> Clock:
    """Read `50 ppm`, `0.01 %`, `2 s/day`; empty text is the assumed 0.1 %.

    Raises:
        ClockError: anything else; the sentence quotes it.
    """
    bare = text.strip()
    if not bare:
        return Clock()
    found = _FORM.fullmatch(bare)
    if found is None:
        raise ClockError.unreadable(text)
    unit = found[2].lower()
    scale = 1e-6 if unit == "ppm" else 0.01 if unit == "%" else 1.0 / 86400.0
    limit = float(found[1].replace(",", ".")) * scale
    if limit > WORST:
        raise ClockError.wild(text)
    return Clock(limit, bare)


def clock_part(clock: Clock, value: float, meter: str) -> Contribution:
    """What the clock's rate does to a time, or to an energy or charge: value x limit / sqrt 3."""
    told = f"0.1 % assumed, {meter} states no clock" if clock.is_assumed else f"{clock.text}, clock of {meter}"
    return Contribution("clock", abs(value) * clock.limit / math.sqrt(3.0), "B", "rectangular", told, is_common=True)
