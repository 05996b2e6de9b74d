"""Facts as people type them, read: a set load, a mode with its voltage windows. Knows text and numbers only."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from store.usb.source_windows import SAFE_5V, Window, pps_window, steady_window

__all__ = ["Mode", "SetLoad", "parse_load", "parse_mode", "window_of"]

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


@lru_cache(maxsize=4096)
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
class Mode:
    """A negotiated mode."""

    supply: str
    """`fixed`, `PPS`, `AVS`, `default` or empty."""
    nominal_v: float | None
    """None where the mode names a range and not the requested voltage."""
    low_v: float | None = None
    high_v: float | None = None


_VOLTS = re.compile(rf"{_NUMBER}(?:\s*V?\s*(?:-|\u2013|\u2014|\.\.|to)\s*{_NUMBER})?\s*V", re.IGNORECASE)


def parse_mode(text: str | None) -> Mode | None:
    """Read `fixed 9 V`, `PPS 3.3-21 V at 9 V`, `AVS 15 V`, `default 5 V`; None where there is none."""
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


def window_of(mode: Mode) -> Window | None:
    """The window that USB PD sets for this mode's steady voltage at the source's receptacle; None for a range."""
    if mode.nominal_v is None:
        return None
    if mode.supply == "default":
        return SAFE_5V
    return pps_window(mode.nominal_v) if mode.supply in ("PPS", "AVS") else steady_window(mode.nominal_v)
