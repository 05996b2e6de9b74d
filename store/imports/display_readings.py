"""Readings of a device's display and of a meter, as people type them, made into an export.

`87 % = 12.4 Wh` reads: the display showed 87 % when the meter had counted 12.4 Wh. Knows text and numbers only.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["PairError", "ReadingPair", "as_export", "read_pair"]

_NUMBER = r"(-?\d+(?:[.,]\d+)?)"
_PAIR = re.compile(
    rf"^\s*(?:@(\d+):(\d\d)(?::(\d\d))?\s+)?{_NUMBER}\s*(V|A|W|Wh|%)\s*=\s*{_NUMBER}\s*(V|A|W|Wh)\s*$", re.IGNORECASE
)
_CHANNELS = {"v": "voltage V", "a": "current A", "w": "power W", "wh": "energy Wh", "%": "percent %"}
_QUANTITIES = ("voltage V", "current A", "power W", "energy Wh")
COLUMNS: tuple[str, ...] = (*(f"display {name}" for name in _QUANTITIES), "display percent %", *_QUANTITIES)


class PairError(ValueError):
    """A pair that can't be read; the text is the whole sentence."""


@dataclass(frozen=True, slots=True)
class ReadingPair:
    """One reading of each, at one moment."""

    shown: float
    shown_unit: str
    """`V`, `A`, `W`, `Wh` or `%`."""
    measured: float
    measured_unit: str
    """The same unit; `Wh` delivered so far for `%`."""
    at_s: float | None = None
    """Since the first reading [s]; None where not typed."""


def read_pair(text: str) -> ReadingPair:
    """Read `20.1 V = 20.05 V`, `87 % = 12.4 Wh`, `@0:10 1.5 A = 1.48 A`.

    Raises:
        PairError: Not of that form, or units that don't go together.
    """
    found = _PAIR.match(text)
    if found is None:
        raise PairError(f"`{text}` is not a pair. Write display = meter, as `20.1 V = 20.05 V` or `87 % = 12.4 Wh`.")
    hours, minutes, seconds, shown, unit, measured, other = found.groups()
    unit, other = unit.lower(), other.lower()
    if other != ("wh" if unit == "%" else unit):
        wanted = "Wh delivered so far" if unit == "%" else f"the same unit, {found[5]}"
        raise PairError(f"`{text}`: against {found[5]} of the display goes {wanted}, not {found[7]}.")
    at = None if hours is None else 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds or 0)
    value, meter = (float(word.replace(",", ".")) for word in (shown, measured))
    if unit == "%" and not 0.0 <= value <= 100.0:
        raise PairError(f"`{text}`: a charge level lies between 0 and 100 %.")
    return ReadingPair(value, unit, meter, other, at)


def as_export(pairs: Sequence[ReadingPair]) -> str:
    """The pairs as a table, one line each, in order of time; without times the readings are a second apart.

    Raises:
        PairError: Some with a time and some without, or times that run backwards.
    """
    timed = [pair.at_s for pair in pairs if pair.at_s is not None]
    if timed and len(timed) < len(pairs):
        raise PairError("Some pairs have a time (@0:10) and some have none: give it to all or to none.")
    if timed != sorted(timed):
        raise PairError("The times of the pairs run backwards: type them in order.")
    lines = [",".join(("time s", *COLUMNS))]
    for number, pair in enumerate(pairs):
        cells = dict.fromkeys(COLUMNS, "")
        cells[f"display {_CHANNELS[pair.shown_unit]}"] = f"{pair.shown:g}"
        cells[_CHANNELS[pair.measured_unit]] = f"{pair.measured!r}"
        at = pair.at_s if pair.at_s is not None else float(number)
        lines.append(",".join((f"{at:g}", *cells.values())))
    used = {name for name in COLUMNS if any(line.split(",")[1 + COLUMNS.index(name)] for line in lines[1:])}
    keep = [0, *(1 + k for k, name in enumerate(COLUMNS) if name in used)]
    return "".join(",".join(line.split(",")[k] for k in keep) + "\n" for line in lines)
