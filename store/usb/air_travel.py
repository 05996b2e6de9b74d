"""Air travel class by rated energy, in exact decimal arithmetic. Knows its table and numbers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import cache

from store.data.tables import load_table

__all__ = ["AirTable", "FlightClass", "air_table", "flight_class", "rated_energy_exact"]


@dataclass(frozen=True, slots=True)
class FlightClass:
    """One class of the table."""

    name: str
    """`cabin`, `approval` or `cargo only`."""
    up_to_wh: Decimal | None
    """The largest rated energy that belongs to it; None for the last."""
    words: str
    count: str


@dataclass(frozen=True, slots=True)
class AirTable:
    """The classes in rising order, with their edition."""

    classes: tuple[FlightClass, ...]
    edition: str
    valid_from: date
    source: str
    caution: str


@cache
def air_table() -> AirTable:
    """The table that ships, `store/data/air_travel.toml`."""
    data = load_table("air_travel.toml")
    classes = tuple(
        FlightClass(row["name"], Decimal(row["up_to_wh"]) if "up_to_wh" in row else None, row["words"], row["count"])
        for row in data["class"]
    )
    return AirTable(classes, data["edition"], data["valid_from"], data["source"], data["caution"])


def rated_energy_exact(
    energy_wh: float | None, capacity_mah: float | None = None, cell_voltage_v: float | None = None
) -> Decimal | None:
    """Rated energy [Wh] as typed, else capacity [mAh] x nominal cell voltage [V] / 1000, without float rounding.

    3.7 V x 26.8 Ah is 99.16 Wh here, and 99.16000000000001 in floats. None where neither is stated.
    """
    if energy_wh is not None:
        return Decimal(repr(energy_wh))
    if capacity_mah is None or cell_voltage_v is None:
        return None
    return Decimal(repr(capacity_mah)) * Decimal(repr(cell_voltage_v)) / 1000


def flight_class(rated_wh: Decimal, table: AirTable | None = None) -> FlightClass:
    """The class of a rated energy [Wh]; exactly on a limit belongs to the class below it."""
    table = table or air_table()
    for item in table.classes:
        if item.up_to_wh is None or rated_wh <= item.up_to_wh:
            return item
    return table.classes[-1]
