"""Figures that stand on the sheet itself: what is weighed, marked or advertised. Knows numbers only."""

from __future__ import annotations

import math

from store.model.sheet import DeviceSheet
from store.model.spec import Better, ResultSpec, Shown

__all__ = [
    "HOW_KNOWN",
    "MARKED",
    "MASS_G",
    "SHEET_FIELDS",
    "SPECS",
    "sheet_uncertainty",
]

SHEET_FIELDS = {
    "mass_g": "mass_g",
    "volume_cm3": "volume_cm3",
    "rated_energy_wh": "energy_wh",
    "capacity_mah": "capacity_mah",
}
"""Quantities that stand on the sheet itself, and where."""

MARKED = frozenset({"rated_energy_wh", "capacity_mah"})
"""Of these the ones that are only read off the case."""

HOW_KNOWN = {
    "mass_g": "Weighed.",
    "volume_cm3": "From the sides, measured.",
    "rated_energy_wh": "As marked, not measured; what is delivered is another claim.",
    "capacity_mah": "As marked, not measured; what is delivered is another claim.",
}
"""What a verdict that rests on the sheet says of its figure."""

SCALE_U_G = 1.0 / math.sqrt(3.0)
"""Standard uncertainty of a weighing: a scale that shows grams, right to one of them. Chosen by us."""

RULE_U_MM = 1.0 / math.sqrt(3.0)
"""Standard uncertainty of a side: a rule that shows millimetres, right to one of them. Chosen by us."""


def sheet_uncertainty(sheet: DeviceSheet, quantity: str) -> float:
    """Standard uncertainty of what stands on the sheet; 0 for what is read off a case."""
    if quantity == "mass_g":
        return SCALE_U_G
    if quantity == "volume_cm3" and sheet.volume_cm3 is not None:
        sides = (sheet.length_mm or 1.0, sheet.width_mm or 1.0, sheet.height_mm or 1.0)
        return sheet.volume_cm3 * math.sqrt(math.fsum((RULE_U_MM / side) ** 2 for side in sides))
    return 0.0


MASS_G = ResultSpec(
    "mass_g",
    "mass",
    "g",
    better=Better.SMALLER,
    compared_for={"power bank": 110, "adapter": 50, "cable": 50},
    to_get_it="Weigh it and enter it under [mass_g].",
    is_of_device=True,
)

SPECS = (
    MASS_G,
    ResultSpec(
        "volume_cm3",
        "volume",
        "cm³",
        to_get_it="Measure its sides and enter them under [size_mm].",
        is_of_device=True,
    ),
    ResultSpec(
        "rated_energy_wh",
        "rated energy",
        "Wh",
        compared_for={"power bank": 120},
        to_get_it="Read it off the case and enter it under [rated].",
        is_of_device=True,
    ),
    ResultSpec(
        "capacity_mah",
        "rated capacity",
        "mAh",
        to_get_it="Read it off the case and enter it under [rated].",
        is_of_device=True,
    ),
    ResultSpec(
        "offers",
        "modes offered",
        "",
        shown=Shown.TEXT,
        to_get_it="Read what the port advertises.",
        is_of_device=True,
    ),
    ResultSpec(
        "flight",
        "air travel",
        "",
        shown=Shown.TEXT,
        to_get_it="Read the rated energy off the case.",
        is_of_device=True,
    ),
)
