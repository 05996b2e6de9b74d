"""What a power rating obliges a USB PD source to offer, and whether it does.

Knows numbers only. Rule: USB PD R3.0 V1.1 Table 10-7 and R3.1's EPR rules, as two independent secondary tables
give them; 12 V is optional.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from store.usb.power_objects import PowerObject

__all__ = ["Duty", "duties", "programmable_top_v", "shortfalls"]

ROUNDING_A = 0.01
"""The 10 mA field truncates: 20 W at 9 V is coded 2.22 A. Allowed before a rating is called false."""


@dataclass(frozen=True, slots=True)
class Duty:
    """A fixed supply that a rating obliges to offer."""

    voltage_v: float
    current_a: float

    def words(self) -> str:
        """`fixed 9 V 2.22 A`."""
        return f"fixed {self.voltage_v:g} V {self.current_a:.4g} A"


def duties(rating_w: float) -> tuple[Duty, ...]:
    """What a source of a power rating (PDP) must offer.

    Args:
        rating_w: Power rating, 0.5 to 240 W.

    Raises:
        ValueError: a rating that USB PD does not know.
    """
    if not 0.5 <= rating_w <= 240.0:
        raise ValueError(f"USB PD defines ratings from 0.5 to 240 W, not {rating_w:g} W.")
    standard_w = min(rating_w, 100.0)
    found: list[Duty] = []
    for voltage, full_from in ((5.0, 15.0), (9.0, 27.0), (15.0, 45.0), (20.0, 100.0)):
        starts_above = {5.0: 0.0, 9.0: 15.0, 15.0: 27.0, 20.0: 45.0}[voltage]
        if standard_w <= starts_above:
            break
        full_a = 5.0 if voltage == 20.0 else 3.0
        found.append(Duty(voltage, full_a if standard_w >= full_from else standard_w / voltage))
    for voltage, starts_above in ((28.0, 100.0), (36.0, 140.0), (48.0, 180.0)):
        if rating_w > starts_above:
            found.append(Duty(voltage, min(5.0, rating_w / voltage)))
    return tuple(found)


def programmable_top_v(rating_w: float) -> float:
    """Upper end [V] of the PPS range that goes with a rating: 5.9, 11, 16 or 21 V [R3.0 Table 10-8]."""
    for up_to, top in ((15.0, 5.9), (27.0, 11.0), (45.0, 16.0)):
        if rating_w <= up_to:
            return top
    return 21.0


def shortfalls(rating_w: float, offers: Iterable[PowerObject]) -> tuple[str, ...]:
    """What a port's offers lack of what its rating obliges it to offer, a sentence each."""
    supplies = list(offers)
    lacking = []
    for duty in duties(rating_w):
        amps = [
            item.current_a or 0.0 for item in supplies if item.supply == "fixed" and item.highest_v == duty.voltage_v
        ]
        if not amps:
            lacking.append(f"{duty.words()} is missing.")
        elif max(amps) < duty.current_a - ROUNDING_A:
            lacking.append(f"{duty.words()} is due, {max(amps):.4g} A is offered.")
    return tuple(lacking)
