"""The unit in which a quantity stands, by its name, and units turned into one another.

Knows words and factors only. A result's name ends in its unit (`energy_out_wh`); a name without such an
ending is a plain number.
"""

from __future__ import annotations

__all__ = ["WrongUnitError", "convert", "unit_of"]


class WrongUnitError(ValueError):
    """A value whose unit is not known or measures something else."""


_SUFFIXES = {
    "wh": "Wh",
    "ah": "Ah",
    "mah": "mAh",
    "w": "W",
    "v": "V",
    "mv": "mV",
    "a": "A",
    "s": "s",
    "h": "h",
    "c": "°C",
    "k": "K",
    "g": "g",
    "mohm": "mΩ",
    "percent": "%",
    "cm3": "cm³",
}


def unit_of(name: str) -> str:
    """The unit in which a result of that name stands; `1` for a plain number.

    `wh_per_kg` is Wh/kg; `price_per_usable_wh` is 1/Wh, in the sheet's currency.
    """
    top, per, bottom = name.rpartition("_per_")
    if per:
        upper = _SUFFIXES.get(top.rpartition("_")[2], "1")
        lower = {"kg": "kg", "l": "L", "h": "h", "wh": "Wh"}.get(bottom.rpartition("_")[2], "1")
        return f"{upper}/{lower}"
    return _SUFFIXES.get(name.rpartition("_")[2], "1") if "_" in name else "1"


_UNITS: dict[str, tuple[str, float, float]] = {
    "Wh": ("energy", 1.0, 0.0),
    "mWh": ("energy", 1e-3, 0.0),
    "kWh": ("energy", 1e3, 0.0),
    "J": ("energy", 1 / 3600, 0.0),
    "Ah": ("charge", 1.0, 0.0),
    "mAh": ("charge", 1e-3, 0.0),
    "W": ("power", 1.0, 0.0),
    "mW": ("power", 1e-3, 0.0),
    "kW": ("power", 1e3, 0.0),
    "V": ("voltage", 1.0, 0.0),
    "mV": ("voltage", 1e-3, 0.0),
    "A": ("current", 1.0, 0.0),
    "mA": ("current", 1e-3, 0.0),
    "s": ("time", 1.0, 0.0),
    "min": ("time", 60.0, 0.0),
    "h": ("time", 3600.0, 0.0),
    "°C": ("temperature", 1.0, 0.0),
    "°F": ("temperature", 5 / 9, -160 / 9),
    "K": ("temperature difference", 1.0, 0.0),
    "g": ("mass", 1.0, 0.0),
    "kg": ("mass", 1e3, 0.0),
    "mΩ": ("resistance", 1e-3, 0.0),
    "Ω": ("resistance", 1.0, 0.0),
    "1": ("number", 1.0, 0.0),
    "%": ("number", 1e-2, 0.0),
    "cm³": ("volume", 1.0, 0.0),
    "L": ("volume", 1e3, 0.0),
    "Wh/kg": ("energy per mass", 1.0, 0.0),
    "Wh/L": ("energy per volume", 1.0, 0.0),
    "W/kg": ("power per mass", 1.0, 0.0),
    "1/Wh": ("per energy", 1.0, 0.0),
}
"""Unit to what it measures, and its value in the first unit of that: factor x value + offset."""

_SPELLINGS = {
    "C": "°C",
    "degC": "°C",
    "Cel": "°C",
    "F": "°F",
    "degF": "°F",
    "mohm": "mΩ",
    "mOhm": "mΩ",
    "ohm": "Ω",
    "Ohm": "Ω",
    "": "1",
    "percent": "%",
    "cm3": "cm³",
    "l": "L",
    "Wh/l": "Wh/L",
    "hours": "h",
    "hour": "h",
    "minutes": "min",
    "seconds": "s",
}


def _known(unit: str) -> str:
    # The micro sign and the ohm sign have look-alikes; people type either.
    spelled = unit.strip().replace("\u2126", "\u03a9").replace(" ", "")
    return _SPELLINGS.get(spelled, spelled)


def convert(value: float, unit: str, target: str) -> float:
    """A value in another unit of the same quantity.

    Args:
        value: In `unit`.
        unit: As typed; empty means `target`.
        target: The unit wanted.

    Raises:
        WrongUnitError: the unit is not known, or measures something else.
    """
    source, goal = _known(unit) if unit.strip() else _known(target), _known(target)
    if source == goal:
        return value
    if source not in _UNITS:
        raise WrongUnitError(f"`{unit}` is not a known unit; write it in {target}.")
    if goal not in _UNITS:
        raise WrongUnitError(f"{unit} can't be turned into {target}.")
    (measures, factor, offset), (wanted, by, shift) = _UNITS[source], _UNITS[goal]
    if measures != wanted:
        raise WrongUnitError(f"`{unit}` measures {measures}, but {target} is wanted, which measures {wanted}.")
    return float((factor * value + offset - shift) / by)
