"""What a port offers, as a person types it, and modes: `fixed 5/9/12 V 3 A`, `PPS 3.3-21 V 3 A`, `0x0001912C`.

Knows text and volts only.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from store.usb.power_objects import PowerObject, PowerObjectError, decode

__all__ = [
    "OfferError",
    "OfferedMode",
    "is_adaptive",
    "mode_fits",
    "offer_words",
    "offered_current_a",
    "offered_power_w",
    "offered_voltages",
    "read_mode",
    "read_offer",
    "supply_words",
]

_NUMBER = r"\d+(?:[.,]\d+)?"
_DASH = r"\s*(?:-|\u2013|\u2014|\.\.|to)\s*"
_OFFER = re.compile(
    rf"^(?P<supply>[A-Za-z ]*?)\s*(?P<volts>{_NUMBER}(?:(?:{_DASH}|\s*/\s*){_NUMBER})*)\s*V"
    rf"(?:[\s,x×@]+(?P<amount>{_NUMBER})\s*(?P<unit>A|mA|W))?$",  # noqa: RUF001 - people type the times sign
    re.IGNORECASE,
)
_HEX = re.compile(r"^(?:0x)?([0-9a-f]{8})$", re.IGNORECASE)
_SUPPLIES = {
    "": "fixed",
    "fixed": "fixed",
    "default": "default",
    "battery": "battery",
    "variable": "variable",
    "pps": "PPS",
    "avs": "AVS",
    "spr avs": "SPR AVS",
    "epr avs": "EPR AVS",
}
USB_TOP_POWER_W = 240.0
"""USB PD's largest power: 48 V and 5 A [check table 1.5]."""


class OfferError(ValueError):
    """An offer that can't be read or can't be."""


@dataclass(frozen=True, slots=True)
class OfferedMode:
    """What was negotiated: a supply type and a voltage or a range of voltages."""

    supply: str
    lowest_v: float
    highest_v: float

    @property
    def nominal_v(self) -> float | None:
        """The one voltage [V] of a mode that has one, else None."""
        return self.highest_v if self.lowest_v == self.highest_v else None

    def words(self) -> str:
        """As the trade writes it: `fixed 9 V`, `PPS 3.3-21 V` with an en dash."""
        if self.lowest_v == self.highest_v:
            return f"{self.supply} {self.highest_v:g} V".strip()
        return f"{self.supply} {self.lowest_v:g}\u2013{self.highest_v:g} V".strip()


def read_offer(text: str) -> tuple[PowerObject, ...]:
    """Read one offer; several voltages with one current give several supplies.

    Args:
        text: `fixed 5/9/12/15/20 V 3 A`, `PPS 3.3-21 V 3 A`, `AVS 9-20 V 3 A`, `AVS 15-28 V 140 W`,
            `battery 5-20 V 45 W`, `default 5 V 1.5 A`, or a power data object in hex (8 digits).

    Returns:
        Supplies in the order of the text. `default` is a supply without negotiation (no USB PD object).

    Raises:
        OfferError: the text has another form, or no USB port can offer that.
    """
    word = _HEX.match(text.strip())
    if word:
        try:
            return (decode(int(word[1], 16)),)
        except PowerObjectError as problem:
            raise OfferError(str(problem)) from problem
    found = _OFFER.match(text.strip())
    supply = _SUPPLIES.get(" ".join(found["supply"].lower().split())) if found else None
    if found is None or supply is None:
        raise OfferError(
            f"`{text}` is not read as an offer. Write `fixed 5/9/12 V 3 A`, `PPS 3.3-21 V 3 A`, "
            "`AVS 9-20 V 3 A`, `default 5 V 1.5 A` or a power data object such as `0x0001912C`."
        )
    amps, watts = _amount(found["amount"], found["unit"])
    offers = tuple(_supply(supply, low, high, amps, watts) for low, high in _voltages(supply, found["volts"]))
    for offer in offers:
        if offer.largest_power_w > USB_TOP_POWER_W + 1e-6:
            raise OfferError(
                f"`{text}` is {offer.largest_power_w:g} W at {offer.highest_v:g} V; a USB port gives "
                f"{USB_TOP_POWER_W:g} W at most."
            )
    return offers


def supply_words(item: PowerObject) -> str:
    """A supply as the trade writes it: `fixed 5 V 3 A`, `PPS 3.3-21 V 3 A`."""
    volts = f"{item.highest_v:g} V" if item.lowest_v == item.highest_v else f"{item.lowest_v:g}-{item.highest_v:g} V"
    amount = f" {item.current_a:g} A" if item.current_a else f" {item.power_w:g} W" if item.power_w else ""
    return f"{item.supply} {volts}{amount}"


def offer_words(text: str) -> str:
    """An offer as typed; a power data object in hex with what it says: `fixed 5 V 3 A (0x0001912C)`."""
    if not _HEX.match(text.strip()):
        return text
    try:
        return f"{supply_words(read_offer(text)[0])} ({text.strip()})"
    except OfferError:
        return text


@lru_cache(maxsize=4096)
def read_mode(text: str) -> OfferedMode | None:
    """Read a mode: `fixed 9 V`, `PPS 3.3-21 V`, `20V`; None where the text has another form."""
    found = _OFFER.match(text.strip())
    if found is None:
        return None
    word = " ".join(found["supply"].lower().split())
    supply = "" if word == "" else _SUPPLIES.get(word)
    if supply is None:
        return None
    volts = [_number(part) for part in re.findall(_NUMBER, found["volts"])]
    return OfferedMode("AVS" if supply.endswith("AVS") else supply, min(volts), max(volts))


def mode_fits(wanted: str, actual: str | None) -> bool:
    """Whether a run's mode is one of those that a claim, or a question, means.

    `20 V` fits `fixed 20 V`, either way round; `PPS 3.3-21 V` fits `PPS 9 V`, which lies within it; dashes and
    spaces don't matter.
    """
    if actual is None:
        return False
    if wanted.strip().casefold() == actual.strip().casefold():
        return True
    left, right = read_mode(wanted), read_mode(actual)
    if left is None or right is None:
        return False
    if left.supply not in ("", right.supply) and not (right.supply == "" and left.supply in ("fixed", "default")):
        return False
    return left.lowest_v - 1e-9 <= right.lowest_v and right.highest_v <= left.highest_v + 1e-9


def offered_current_a(offers: Iterable[str], mode: str | None) -> float | None:
    """Largest current [A] that a port's offers allow in a mode; None where they don't say."""
    wanted = read_mode(mode or "")
    if wanted is None:
        return None
    found: list[float] = []
    for text in offers:
        try:
            supplies = read_offer(text)
        except OfferError:
            continue
        for item in supplies:
            kind = "AVS" if item.supply.endswith("AVS") else item.supply
            amps = item.current_at(wanted.highest_v)
            # A port's default 5 V gives what its 5 V offer gives.
            fits = wanted.supply in ("", kind) or {wanted.supply, kind} == {"default", "fixed"}
            if amps and fits and item.current_at(wanted.lowest_v) is not None:
                found.append(amps)
    return max(found, default=None)


def is_adaptive(offers: Iterable[str]) -> bool:
    """Whether a port offers more than one voltage, as USB PD does: rules then test its lowest and its highest."""
    found = _read_all(offers)
    return len({volts for item in found for volts in (item.lowest_v, item.highest_v)}) > 1


def offered_voltages(offers: Iterable[str]) -> tuple[float, ...]:
    """The fixed voltages that are offered [V], each once, in order; where none is fixed, the highest of each offer."""
    found = _read_all(offers)
    fixed = [item for item in found if item.supply == "fixed"]
    return tuple(sorted({item.highest_v for item in fixed or found}))


def _read_all(offers: Iterable[str]) -> list[PowerObject]:
    """Every offer that can be read."""
    found: list[PowerObject] = []
    for text in offers:
        try:
            found += read_offer(text)
        except OfferError:
            continue
    return found


def offered_power_w(offers: Iterable[str], mode: str | None) -> float | None:
    """Largest power [W] that a port's offers allow in a mode; None where they don't say."""
    amps, wanted = offered_current_a(offers, mode), read_mode(mode or "")
    return None if amps is None or wanted is None else amps * wanted.highest_v


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _amount(amount: str | None, unit: str | None) -> tuple[float | None, float | None]:
    if amount is None or unit is None:
        return None, None
    value = _number(amount)
    if unit.upper() == "W":
        return None, value
    return (value / 1000 if unit.lower() == "ma" else value), None


def _voltages(supply: str, text: str) -> list[tuple[float, float]]:
    """Pairs of lowest and highest voltage: a range for ranged supplies, else each voltage by itself."""
    volts = [_number(part) for part in re.findall(_NUMBER, text)]
    if supply in ("fixed", "default"):
        if "/" not in text and len(volts) > 1:
            raise OfferError(f"A {supply} supply has no range of voltages; write them as `5/9/12 V`.")
        return [(volt, volt) for volt in volts]
    if len(volts) != 2 or volts[0] >= volts[1]:
        raise OfferError(f"`{text} V` should be a range, lowest voltage first, as in `3.3-21 V`.")
    return [(volts[0], volts[1])]


def _supply(supply: str, low: float, high: float, amps: float | None, watts: float | None) -> PowerObject:
    if supply in ("fixed", "default") and amps is None and watts is not None:
        amps, watts = watts / high, None
    if supply == "AVS":
        supply = "SPR AVS" if high <= 20.0 and watts is None else "EPR AVS"
    if supply == "SPR AVS":
        return PowerObject(supply, low, high, current_a=amps, current_high_a=amps if high > 15.0 else 0.0)
    if supply == "battery" and amps is not None:
        raise OfferError("A battery supply is stated by its power, as in `battery 5-20 V 45 W`.")
    return PowerObject(supply, low, high, current_a=amps, power_w=watts)
