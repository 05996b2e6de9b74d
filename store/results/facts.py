"""Facts as people type them, read: a set load, a mode with its voltage windows. Knows text and numbers only."""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["Mode", "SetLoad", "VoltageWindow", "parse_load", "parse_mode", "windows_of"]

_NUMBER = r"(\d+(?:[.,]\d+)?|[.,]\d+)"
_LOAD = re.compile(rf"{_NUMBER}\s*(m|k|)\s*(W|A|ohms?|Ω|Ω)\b|{_NUMBER}\s*(m|k|)(Ω|Ω)", re.IGNORECASE)
_SCALE = {"m": 1e-3, "": 1.0, "k": 1e3}


@dataclass(frozen=True, slots=True)
class SetLoad:
    """A set load: value and what is held constant."""

    value: float
    unit: str
    """`W`, `A` or `Ω`."""
    text: str

    @property
    def quantity(self) -> str:
        """Word for what the load holds."""
        return {"W": "power", "A": "current"}.get(self.unit, "resistance")


def parse_load(text: str | None) -> SetLoad | None:
    """Read `30 W`, `1,5 A`, `500 mA`, `5 ohm`; None where there is none or it can't be read as one."""
    if not text:
        return None
    found = _LOAD.search(text)
    if found is None:
        return None
    number, prefix, unit = (found[1], found[2], found[3]) if found[1] else (found[4], found[5], found[6])
    value = float(number.replace(",", ".")) * _SCALE[(prefix or "").lower()]
    kind = unit.upper() if unit.upper() in ("W", "A") else "Ω"
    return SetLoad(value, kind, text) if value > 0.0 else None


@dataclass(frozen=True, slots=True)
class VoltageWindow:
    """A named pair of limits for a source's steady voltage [V]."""

    name: str
    low_v: float
    high_v: float
    source: str


@dataclass(frozen=True, slots=True)
class Mode:
    """A negotiated mode."""

    supply: str
    """`fixed`, `PPS`, `AVS`, `default` or empty."""
    nominal_v: float | None
    """None where the mode names a range and not the requested voltage."""
    low_v: float | None = None
    high_v: float | None = None


_VOLTS = re.compile(rf"{_NUMBER}(?:\s*V?\s*(?:-|–|—|\.\.|to)\s*{_NUMBER})?\s*V", re.IGNORECASE)


def parse_mode(text: str | None) -> Mode | None:
    """Read `fixed 9 V`, `PPS 3.3–21 V`, `PPS 3.3-21 V at 9 V`, `AVS 15 V`, `default 5 V`; None where there is none."""
    if not text:
        return None
    lowered = text.lower()
    supply = next((s for s in ("fixed", "pps", "avs", "default") if s in lowered), "")
    nominal = low = high = None
    for found in _VOLTS.finditer(text):
        first = float(found[1].replace(",", "."))
        if found[2]:
            low, high = first, float(found[2].replace(",", "."))
        else:
            nominal = first
    if nominal is None and low is None:
        if supply != "default":
            return None
        nominal = 5.0
    return Mode(supply.upper() if supply in ("pps", "avs") else supply, nominal, low, high)


def windows_of(mode: Mode) -> tuple[VoltageWindow, ...]:
    """Limits that USB PD sets for this mode's steady voltage, at the source's receptacle.

    Fixed: vSrcNew 0.95 to 1.05 x nominal (USB PD R3.2 v1.2, 4.7.1, table 4.6; two independent quotes).
    PPS: vPpsNew 0.95 to 1.05 x requested (from memory). 5 V without a contract: vSafe5V 4.75 to 5.5 V
    (from memory). AVS: 0.95 to 1.05 x requested, taken as for PPS (from memory).
    """
    if mode.nominal_v is None:
        return ()
    nominal = mode.nominal_v
    steady = (0.95 * nominal, 1.05 * nominal)
    if mode.supply == "default":
        return (VoltageWindow("vSafe5V", 4.75, 5.5, "USB PD (from memory)"),)
    if mode.supply == "PPS":
        return (VoltageWindow("vPpsNew", *steady, "USB PD (from memory)"),)
    if mode.supply == "AVS":
        return (VoltageWindow("vAvsNew", *steady, "USB PD (from memory)"),)
    return (VoltageWindow("vSrcNew", *steady, "USB PD R3.2 v1.2, 4.7.1, table 4.6"),)
