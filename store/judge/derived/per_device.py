"""Figures of a device as a whole: energy and power per kilogram, per litre and per money. Knows numbers only."""

from __future__ import annotations

from dataclasses import replace

from store.judge.derived.on_sheet import sheet_uncertainty
from store.judge.measured import Measured, made_of, turned
from store.model.sheet import DeviceSheet
from store.model.spec import Better, ResultSpec

__all__ = ["SPECS", "per_mass", "per_volume", "power_per_mass", "price_per_energy"]


def per_mass(energy: Measured, sheet: DeviceSheet) -> Measured | None:
    """Energy per mass of the device alone [Wh/kg]; None where it was not scored."""
    if not sheet.mass_g:
        return None
    return _over(energy, sheet.mass_g / 1000, sheet_uncertainty(sheet, "mass_g") / 1000, "Wh/kg")


def per_volume(energy: Measured, sheet: DeviceSheet) -> Measured | None:
    """Energy per volume of the box about the device [Wh/L]; None where a side is not stated."""
    if not sheet.volume_cm3:
        return None
    return _over(energy, sheet.volume_cm3 / 1000, sheet_uncertainty(sheet, "volume_cm3") / 1000, "Wh/L")


def power_per_mass(power: Measured, sheet: DeviceSheet) -> Measured | None:
    """Power per mass of the device alone [W/kg]; None where it was not scored."""
    if not sheet.mass_g:
        return None
    return _over(power, sheet.mass_g / 1000, sheet_uncertainty(sheet, "mass_g") / 1000, "W/kg")


def price_per_energy(energy: Measured, sheet: DeviceSheet) -> Measured | None:
    """Price per usable energy [currency/Wh]; None where there is no price or no energy. A price is exact."""
    if sheet.price is None or energy.value <= 0.0:
        return None
    value = sheet.price / energy.value
    found = made_of(value, f"{sheet.currency or '1'}/Wh", ((-value / energy.value, energy),))
    return replace(found, flags=turned(energy.flags))


def _over(top: Measured, bottom: float, bottom_u: float, unit: str) -> Measured:
    value = top.value / bottom
    found = made_of(value, unit, ((1.0 / bottom, top), (-value / bottom, _of_sheet(bottom, bottom_u))))
    return replace(found, count=top.count)


def _of_sheet(value: float, u: float) -> Measured:
    return Measured(value, "", u, steady={("", "scale or rule"): u})


_WEIGH = "Weigh it and discharge it."

WH_PER_KG = ResultSpec(
    "wh_per_kg",
    "energy per mass",
    "Wh/kg",
    kinds=("discharge",),
    better=Better.LARGER,
    compared_for={"power bank": 80},
    to_get_it=_WEIGH,
    is_of_device=True,
)
WH_PER_L = ResultSpec(
    "wh_per_l",
    "energy per volume",
    "Wh/L",
    kinds=("discharge",),
    better=Better.LARGER,
    compared_for={"power bank": 90},
    to_get_it="Measure its sides and discharge it.",
    is_of_device=True,
)
PRICE_PER_USABLE_WH = ResultSpec(
    "price_per_usable_wh",
    "price per energy",
    "1/Wh",
    short="price per energy",
    better=Better.SMALLER,
    compared_for={"power bank": 100},
    to_get_it="Enter its price and discharge it.",
    is_of_device=True,
)
W_PER_KG = ResultSpec(
    "w_per_kg",
    "sustained power per mass",
    "W/kg",
    short="power per mass",
    to_get_it="Weigh it and state its output.",
    is_of_device=True,
)
SPECS = (
    WH_PER_KG,
    WH_PER_L,
    PRICE_PER_USABLE_WH,
    W_PER_KG,
    ResultSpec("rated_wh_per_kg", "rated energy per mass", "Wh/kg", short="rated Wh/kg", is_of_device=True),
    ResultSpec("rated_wh_per_l", "rated energy per volume", "Wh/L", short="rated Wh/L", is_of_device=True),
)
