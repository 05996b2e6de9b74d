"""A meter's printed limits of error, read and turned into standard uncertainties. Knows text and numbers only."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

from store.errors import StoreError
from store.model.results import MeterAccuracy
from store.uncertainty.clock import Clock, parse_clock

__all__ = ["Accuracy", "MeterModel", "SpecError", "meter_model", "parse_spec"]

SQRT3 = math.sqrt(3.0)

_NUMBER = r"(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_READING = re.compile(rf"({_NUMBER})\s*%(?:\s*(?:rdg|of reading))?", re.IGNORECASE)
_RANGE = re.compile(rf"({_NUMBER})\s*%\s*r\s*\(\s*({_NUMBER})\s*\)", re.IGNORECASE)
_DIGITS = re.compile(rf"({_NUMBER})\s*d\s*\(\s*({_NUMBER})\s*\)", re.IGNORECASE)
_ABSOLUTE = re.compile(rf"({_NUMBER})\s*(|m|u|µ|μ)(V|A|W|K|°C|degC|C)", re.IGNORECASE)
_PREFIX = {"": 1.0, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "μ": 1e-6}


class SpecError(StoreError):
    """A meter's accuracy that can't be read. The sentence says which term and how to write it."""

    @classmethod
    def unreadable(cls, term: str, text: str) -> SpecError:
        """A term that fits no form."""
        return cls(
            f"Accuracy {text!r}: can't read {term!r}. Write a sum of `0.05%` (of reading), `0.02%r(20)` (of the "
            "range 20), `2d(0.001)` (2 digits of 0.001) and `1.5 K` or `2 mV` (a fixed amount)."
        )

    @classmethod
    def empty(cls, text: str) -> SpecError:
        """Nothing between two signs."""
        return cls(f"Accuracy {text!r}: a `+` has nothing beside it. Write it as `0.05% + 2d(0.001)`.")

    @classmethod
    def rangeless(cls, text: str) -> SpecError:
        """A share of a range that is not given."""
        return cls(f"Accuracy {text!r}: a share of the range needs the range, as in `0.02%r(20)`.")


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Limits of error +-(reading_share x reading + fixed), a rectangular distribution within them."""

    reading_share: float
    """a % / 100."""
    fixed: float
    """Range share, digits and fixed amounts together, in the channel's unit."""
    text: str = ""
    """As printed."""

    @property
    def gain_u(self) -> float:
        """Relative standard uncertainty of the gain."""
        return self.reading_share / SQRT3

    @property
    def offset_u(self) -> float:
        """Standard uncertainty of the offset, in the channel's unit."""
        return self.fixed / SQRT3

    def limit(self, reading: float) -> float:
        """Limit of error of a single reading: terms add up. 0.05 % of 5.020 V + 2 digits of 1 mV: 0.00451 V."""
        return self.reading_share * abs(reading) + self.fixed

    def reading_u(self, reading: float) -> float:
        """Standard uncertainty of a single reading: limit / sqrt 3. Source: GUM 4.3.7."""
        return self.limit(reading) / SQRT3


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _peel(text: str) -> str:
    """The text without brackets that hold all of it."""
    if not (text.startswith("(") and text.endswith(")")):
        return text
    depth = 0
    for place, sign in enumerate(text):
        depth += (sign == "(") - (sign == ")")
        if depth == 0 and place < len(text) - 1:
            return text
    return text[1:-1]


def _term(term: str, whole: str) -> tuple[float, float]:
    """Share of reading and fixed amount that one term states."""
    if found := _RANGE.fullmatch(term):
        return 0.0, _number(found[1]) / 100.0 * _number(found[2])
    if found := _DIGITS.fullmatch(term):
        return 0.0, _number(found[1]) * _number(found[2])
    if found := _READING.fullmatch(term):
        return _number(found[1]) / 100.0, 0.0
    if found := _ABSOLUTE.fullmatch(term):
        if found[2] == "M":
            raise SpecError.unreadable(term, whole)
        return 0.0, _number(found[1]) * _PREFIX[found[2].lower()]
    if re.fullmatch(rf"({_NUMBER})\s*%\s*r.*", term, re.IGNORECASE):
        raise SpecError.rangeless(whole)
    raise SpecError.unreadable(term, whole)


def parse_spec(text: str) -> Accuracy | None:
    """Read an accuracy as printed: `0.05% + 2d(0.001)`, `±(0.1% + 0.02%r(20))`, `1.5 K`.

    Args:
        text: a sum of shares of reading [%], shares of range with the range in brackets [%r], digits
            with their size in brackets [d] and fixed amounts with a unit. Decimal comma or point.

    Returns:
        The limits of error, or None for empty text: unknown, not zero.

    Raises:
        SpecError: a term that fits none of the forms; the sentence quotes it.
    """
    bare = text.strip()
    if not bare:
        return None
    inner = _peel(re.sub(r"^(±|\+\s*/?\s*-)\s*", "", bare).strip())
    share = fixed = 0.0
    for term in inner.split("+"):
        stripped = term.strip()
        if not stripped:
            raise SpecError.empty(text)
        more_share, more_fixed = _term(stripped, text)
        share += more_share
        fixed += more_fixed
    return Accuracy(share, fixed, bare)


@dataclass(frozen=True, slots=True)
class MeterModel:
    """A meter's accuracy, quantity by quantity; None is unknown."""

    name: str
    voltage: Accuracy | None
    current: Accuracy | None
    temperature: Accuracy | None
    power: Accuracy | None = None
    """Of the power that it logs itself."""
    clock: Clock = field(default_factory=Clock)
    problems: tuple[str, ...] = ()
    """Sentences about specifications that could not be read."""

    @property
    def label(self) -> str:
        """The meter's name as sentences use it."""
        return f"meter {self.name}" if self.name else "the meter"

    def unknown(self, *quantities: str) -> str:
        """Why an uncertainty that needs these quantities is unknown; empty where all are known."""
        missing = [q for q in quantities if getattr(self, q) is None]
        if not missing:
            return ""
        return f"the accuracy of {self.label} for {' and '.join(missing)} is not stated"


def meter_model(meter: MeterAccuracy) -> MeterModel:
    """All specifications of a meter read; one that can't be read counts as unknown, with its sentence kept."""
    parsed: dict[str, Accuracy | None] = {}
    problems: list[str] = []
    for quantity in ("voltage", "current", "temperature", "power"):
        try:
            parsed[quantity] = parse_spec(getattr(meter, quantity))
        except SpecError as error:
            parsed[quantity] = None
            problems.append(str(error))
    clock = Clock()
    try:
        clock = parse_clock(meter.clock)
    except StoreError as error:
        problems.append(str(error))
    return MeterModel(meter.name, **parsed, clock=clock, problems=tuple(problems))
