"""USB Power Delivery's 32-bit power data objects and request objects, both ways.

Knows bits and volts only: no file, no catalogue, no screen.

Layout: USB PD R3.x as transcribed in the Linux kernel's `include/linux/usb/pd.h` and in a second,
independent transcription of R3.2 V1.1 tables 6.7 and 6.8. Bits 23 and 24 of a fixed object are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["SUPPLIES", "PowerObject", "PowerObjectError", "Request", "decode", "decode_request", "encode"]

SUPPLIES: tuple[str, ...] = ("fixed", "battery", "variable", "PPS", "EPR AVS", "SPR AVS")
"""Supply types, as USB PD names them."""

FLAGS: tuple[tuple[int, str], ...] = (
    (29, "dual-role power"),
    (28, "suspend supported"),
    (27, "unconstrained power"),
    (26, "USB communications"),
    (25, "dual-role data"),
    (24, "unchunked messages"),
    (23, "EPR capable"),
)
"""Flags of a fixed object by bit."""


class PowerObjectError(ValueError):
    """A word, or a supply, that no power data object can be."""


@dataclass(frozen=True, slots=True)
class PowerObject:
    """One supply that a port advertises. What a type does not have is None."""

    supply: str
    lowest_v: float
    highest_v: float
    current_a: float | None = None
    """Largest current; for SPR AVS from 9 to 15 V."""
    current_high_a: float | None = None
    """SPR AVS only: largest current from 15 to 20 V; 0 where the range ends at 15 V."""
    power_w: float | None = None
    """Battery and EPR AVS: largest power."""
    peak_current: int = 0
    """Code 0 to 3."""
    is_power_limited: bool = False
    """PPS only."""
    flags: tuple[str, ...] = ()
    """Fixed only; see FLAGS."""

    @property
    def largest_power_w(self) -> float:
        """The most that this supply can give [W]."""
        if self.power_w is not None:
            return self.power_w
        if self.supply == "SPR AVS" and self.current_high_a:
            return max(15.0 * (self.current_a or 0.0), self.highest_v * self.current_high_a)
        return self.highest_v * (self.current_a or 0.0)

    def current_at(self, voltage_v: float) -> float | None:
        """Largest current that this supply offers at a voltage [A]; None outside its range."""
        if not self.lowest_v - 1e-9 <= voltage_v <= self.highest_v + 1e-9:
            return None
        if self.supply == "SPR AVS" and voltage_v > 15.0:
            return self.current_high_a
        if self.power_w is not None:
            return min(self.power_w / voltage_v, 5.0)
        return self.current_a


@dataclass(frozen=True, slots=True)
class Request:
    """What a sink asks for."""

    position: int
    """1-based position of the object that is meant."""
    current_a: float
    """Operating current."""
    highest_current_a: float | None = None
    """Fixed and variable only."""
    voltage_v: float | None = None
    """PPS and AVS only."""


def decode(word: int) -> PowerObject:
    """Read a power data object.

    Args:
        word: The 32 bits, bit 31 the most significant.

    Raises:
        PowerObjectError: not 32 bits, or the reserved augmented type.
    """
    if not 0 <= word < 1 << 32:
        raise PowerObjectError(f"{word:#x} has more than 32 bits.")
    kind = word >> 30
    if kind == 0:
        volts = _bits(word, 19, 10) / 20
        flags = tuple(name for bit, name in FLAGS if word >> bit & 1)
        peak = _bits(word, 21, 20)
        return PowerObject("fixed", volts, volts, _bits(word, 9, 0) / 100, peak_current=peak, flags=flags)
    if kind == 1:
        return PowerObject("battery", _bits(word, 19, 10) / 20, _bits(word, 29, 20) / 20, power_w=_bits(word, 9, 0) / 4)
    if kind == 2:
        return PowerObject(
            "variable", _bits(word, 19, 10) / 20, _bits(word, 29, 20) / 20, current_a=_bits(word, 9, 0) / 100
        )
    return _decode_augmented(word)


def _decode_augmented(word: int) -> PowerObject:
    subtype = _bits(word, 29, 28)
    if subtype == 0:
        return PowerObject(
            "PPS",
            _bits(word, 15, 8) / 10,
            _bits(word, 24, 17) / 10,
            current_a=_bits(word, 6, 0) / 20,
            is_power_limited=bool(word >> 27 & 1),
        )
    if subtype == 1:
        return PowerObject(
            "EPR AVS",
            _bits(word, 15, 8) / 10,
            _bits(word, 25, 17) / 10,
            power_w=float(_bits(word, 7, 0)),
            peak_current=_bits(word, 27, 26),
        )
    if subtype == 2:
        high = _bits(word, 9, 0) / 100
        return PowerObject(
            "SPR AVS",
            9.0,
            20.0 if high else 15.0,
            current_a=_bits(word, 19, 10) / 100,
            current_high_a=high,
            peak_current=_bits(word, 27, 26),
        )
    raise PowerObjectError(f"{word:#010x} is an augmented object of the reserved type.")


def encode(item: PowerObject) -> int:
    """Write a power data object: the inverse of `decode`.

    Raises:
        PowerObjectError: a value that does not fit its field or its step.
    """
    low, high = item.lowest_v, item.highest_v
    amps, watts = item.current_a or 0.0, item.power_w or 0.0
    if item.supply == "fixed":
        flags = sum(1 << bit for bit, name in FLAGS if name in item.flags)
        return flags | _field(item.peak_current, 1, 21, 20) | _field(high, 20, 19, 10) | _field(amps, 100, 9, 0)
    if item.supply == "battery":
        return 1 << 30 | _field(high, 20, 29, 20) | _field(low, 20, 19, 10) | _field(watts, 4, 9, 0)
    if item.supply == "variable":
        return 2 << 30 | _field(high, 20, 29, 20) | _field(low, 20, 19, 10) | _field(amps, 100, 9, 0)
    if item.supply == "PPS":
        limited = int(item.is_power_limited) << 27
        return 3 << 30 | limited | _field(high, 10, 24, 17) | _field(low, 10, 15, 8) | _field(amps, 20, 6, 0)
    peak = _field(item.peak_current, 1, 27, 26)
    if item.supply == "EPR AVS":
        return 0xD << 28 | peak | _field(high, 10, 25, 17) | _field(low, 10, 15, 8) | _field(watts, 1, 7, 0)
    if item.supply == "SPR AVS":
        return 0xE << 28 | peak | _field(amps, 100, 19, 10) | _field(item.current_high_a or 0.0, 100, 9, 0)
    raise PowerObjectError(f"`{item.supply}` is not a supply of USB PD. There are: {', '.join(SUPPLIES)}.")


def decode_request(word: int, supply: str) -> Request:
    """Read a request object; its layout depends on the supply that it asks for.

    The voltage field of a PPS request is read with 12 bits (20..9); older editions have 11, with bit 20 zero.
    """
    position = _bits(word, 31, 28)
    if supply in ("fixed", "variable"):
        return Request(position, _bits(word, 19, 10) / 100, highest_current_a=_bits(word, 9, 0) / 100)
    if supply == "PPS":
        return Request(position, _bits(word, 6, 0) / 20, voltage_v=_bits(word, 20, 9) / 50)
    if supply in ("EPR AVS", "SPR AVS"):
        return Request(position, _bits(word, 6, 0) / 20, voltage_v=_bits(word, 20, 9) / 40)
    raise PowerObjectError(f"Requests for a `{supply}` supply are not known.")


def _bits(word: int, high: int, low: int) -> int:
    return word >> low & (1 << high - low + 1) - 1


def _field(value: float, steps_per_unit: int, high: int, low: int) -> int:
    count = round(value * steps_per_unit)
    if abs(count - value * steps_per_unit) > 1e-6:
        raise PowerObjectError(f"{value:g} is not a multiple of {1 / steps_per_unit:g}, the step of its field.")
    if not 0 <= count < 1 << high - low + 1:
        raise PowerObjectError(f"{value:g} does not fit bits {high} to {low}.")
    return count << low
