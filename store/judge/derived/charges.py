"""How often a power bank fills another device's battery: from its usable energy at a like load. Knows measured values.

The number on a box ("charges a phone 3.2 times") leaves open how much of the energy ends up in that battery.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from store.judge.matching import match, shared_groups
from store.judge.measured import ErrorKey, Measured, RunEvidence, made_of
from store.model.results import Flag
from store.model.sheet import ClaimSheet
from store.model.spec import ResultSpec

__all__ = ["CHARGES", "INTO_BATTERY", "SPECS", "battery_wh", "charges", "like_runs"]

INTO_BATTERY, INTO_BATTERY_HALF = 0.85, 0.05
"""Share of the energy at the port that ends up in the battery charged, and its half-width: the other device's charger,
its cable and its own needs take the rest. Common practice, no source; the width chosen by us."""

LIKE_LOAD_W = (5.0, 20.0)
"""Loads at which a phone or a small device charges; a claim that states its own load is held against that."""

_BATTERY = re.compile(
    r"^(?:of|x)?\s*(?P<size>\d+(?:[.,]\d+)?)\s*(?P<unit>Wh|mAh|Ah)(?:\s*(?:at|,|@)?\s*(?P<volts>\d+(?:[.,]\d+)?)\s*V)?$",
    re.IGNORECASE,
)


def battery_wh(unit: str) -> float | None:
    """The battery that a claim counts in: `of 15 Wh`, `of 4000 mAh at 3.85 V` [Wh]; None where it does not say."""
    found = _BATTERY.match(unit.strip())
    if found is None:
        return None
    size = float(found["size"].replace(",", "."))
    if found["unit"].casefold() == "wh":
        return size or None
    if found["volts"] is None:
        return None
    amp_hours = size / 1000.0 if found["unit"].casefold() == "mah" else size
    return amp_hours * float(found["volts"].replace(",", ".")) or None


def like_runs(claim: ClaimSheet, runs: Sequence[RunEvidence]) -> tuple[tuple[RunEvidence, ...], str]:
    """Discharges that speak for such a claim, or the sentence that says what is missing.

    Those that fit its condition; where it states no load, those at the load of a phone.
    """
    energy = ClaimSheet(
        "energy_out_wh", port=claim.port, mode=claim.mode, load=claim.load, kind=claim.kind, ambient_c=claim.ambient_c
    )
    found = match(energy, runs)
    if claim.load or not found.runs:
        return found.runs, found.missing
    low, high = LIKE_LOAD_W
    shared = shared_groups(runs)
    like = tuple(
        run
        for run in found.runs
        if run.group_id not in shared and low * 0.95 <= (run.value("power_plateau_w") or 0.0) <= high * 1.05
    )
    missing = f"Missing: a discharge at {low:g} to {high:g} W, as a phone takes."
    return like, "" if like else missing


def charges(energy: Measured, size_wh: float) -> Measured:
    """Usable energy times the share that ends up in the battery, over what the battery holds; the share is assumed.

    Formula: n = E x 0.85 / E_battery. 47.3 Wh into 15 Wh: 2.68.
    """
    u = INTO_BATTERY_HALF / math.sqrt(3.0)
    steady: dict[ErrorKey, float] = {("", "share into the battery, assumed"): u}
    share = Measured(INTO_BATTERY, "1", u, steady=steady, flags=frozenset({Flag.ASSUMED_INPUT}))
    low, high = INTO_BATTERY - INTO_BATTERY_HALF, INTO_BATTERY + INTO_BATTERY_HALF
    note = (
        f"{energy.value:.4g} Wh delivered x {INTO_BATTERY:g} (assumed: {low:.2f} to {high:.2f} of it ends up in the "
        f"battery charged) / {size_wh:g} Wh."
    )
    inputs = ((INTO_BATTERY / size_wh, energy), (energy.value / size_wh, share))
    return made_of(energy.value * INTO_BATTERY / size_wh, "1", inputs, note=note)


CHARGES = ResultSpec(
    "charges",
    "full charges of another device",
    "1",
    short="full charges",
    kinds=("discharge",),
    to_get_it="Discharge it at 5 to 20 W.",
    is_of_device=True,
)
SPECS = (CHARGES,)
