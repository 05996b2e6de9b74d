"""How long a surface at a temperature may be touched: limits of IEC 62368-1, table 38, class TS1, as data.

Knows numbers only. The limits hold at about 25 degC ambient and are not corrected to another one. They are from
memory, partly corroborated; the fourth edition may differ: treat a class as a pointer, not as a certificate.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["EDITION", "MATERIALS", "TouchLimit", "touch_class"]

EDITION = "IEC 62368-1:2018 table 38, TS1 (from memory)"
MATERIALS = ("plastic", "metal")


@dataclass(frozen=True, slots=True)
class TouchLimit:
    """One row: how it is touched, and the highest temperature per material [degC]."""

    words: str
    plastic_c: float
    metal_c: float

    def limit_c(self, material: str) -> float:
        """Highest temperature for `plastic` or `metal` [degC]."""
        return self.plastic_c if material == "plastic" else self.metal_c


TS1 = (
    TouchLimit("may be held for over a minute", 48.0, 48.0),
    TouchLimit("may be held for up to a minute", 60.0, 51.0),
    TouchLimit("may be touched for up to 10 s", 77.0, 60.0),
    TouchLimit("need not be touched, 1 s at most", 94.0, 70.0),
)
OVER = "too hot to touch at all"


def touch_class(temperature_c: float, material: str) -> TouchLimit | None:
    """The longest contact that TS1 allows at this temperature; None where it allows none.

    Args:
        temperature_c: surface temperature [degC]; a limit itself is allowed.
        material: `plastic` or `metal`.
    """
    return next((row for row in TS1 if temperature_c <= row.limit_c(material)), None)
