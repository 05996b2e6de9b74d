"""What a reference case is. Knows numbers and words."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Case", "number_case", "word_case"]


@dataclass(frozen=True, slots=True)
class Case:
    """One published or closed-form value held against what the program gives."""

    name: str
    source: str
    """Where the expected value is from, with what can be said of its standing."""
    expected: float | str
    got: float | str | None
    unit: str = ""
    tolerance: float = 0.0
    """Largest difference that passes, in the value's unit; 0 for words."""

    @property
    def passed(self) -> bool:
        """Whether the program gave what was expected."""
        if isinstance(self.expected, str) or isinstance(self.got, str):
            return self.got == self.expected
        return self.got is not None and math.isfinite(self.got) and abs(self.got - self.expected) <= self.tolerance


def number_case(
    name: str, source: str, expected: float, got: float | None, unit: str = "", *, share: float = 0.0, by: float = 0.0
) -> Case:
    """A case of a number, within a share of the expected value or an amount, whichever is larger."""
    tolerance = max(by, share * abs(expected), 4e-16 * abs(expected))
    return Case(name, source, float(expected), None if got is None else float(got), unit, tolerance)


def word_case(name: str, source: str, expected: str, got: str) -> Case:
    """A case of a word."""
    return Case(name, source, expected, got)
