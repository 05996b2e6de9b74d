"""What each claim must come to, and why: the weakness that was built into a device, and nothing else."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np

from .measure import Run

__all__ = ["expected_verdicts"]

SAME_AMBIENT_K = 3.0

_NOT_MET: dict[tuple[str, int], tuple[str, str]] = {
    ("PB-03", 4): ("not met", "cells hold 86 % of what is printed, and the converter takes its share"),
    ("PB-03", 5): ("not met", "cells hold 86 % of what is printed, and the converter takes its share"),
    ("PB-03", 6): ("not met", "cut back to 30 W when the electronics reach 73 °C"),
    ("PB-03", 8): ("not tested", "two ports at once were not tried"),
    ("PB-04", 7): ("not met", "the output is taken away for 1.7 s when the input is plugged or pulled"),
    ("PB-06", 4): ("too close to call", "this sample lies on the limit, within the meter's uncertainty"),
    ("PB-07", 6): ("not met", "A1 falls by 145 mΩ, under 4.75 V at 3 A"),
    ("PB-08", 6): ("not met", "charging pauses at 60 °C inside until it has cooled to 42 °C"),
    ("PB-09", 5): ("not met", "more than 65 W is given for 18 minutes"),
    ("AD-02", 1): ("not met", "losses of transformer and copper are too high"),
    ("AD-04", 2): ("not met", "draws 0.15 W with nothing plugged in"),
    ("CB-02", 1): ("not met", "214 mΩ at 20 °C, two metres of thin wire"),
    ("CB-02", 2): ("not met", "214 mΩ at 20 °C, two metres of thin wire"),
}
"""(device, position of the claim in its sheet from 1) to verdict and reason; every other claim is met."""


def expected_verdicts(runs: list[Run], sheets: Path) -> list[dict[str, Any]]:
    """Each claim of each sheet with its expected verdict, reason, the model's figure and the runs that fit."""
    rows = []
    for path in sorted(sheets.glob("*.toml")):
        sheet = tomllib.loads(path.read_text("utf-8"))
        for position, claim in enumerate(sheet.get("claim", []), 1):
            device = sheet["device"]
            verdict, reason = _NOT_MET.get((device, position), ("met", ""))
            fitting = [run for run in runs if run.facts["device"] == device and _fits(run, claim)]
            values = [v for run in fitting if (v := _figure(run, claim["quantity"], sheet)) is not None]
            rows.append(
                {
                    "device": device,
                    "position": position,
                    "quantity": claim["quantity"],
                    "verdict": verdict,
                    "reason": reason,
                    "figures": [round(value, 5) for value in values],
                    "mean": round(float(np.mean(values)), 5) if values else None,
                    "run_ids": [run.facts["run_id"] for run in fitting] if values else [],
                }
            )
    return rows


def _fits(run: Run, claim: dict[str, Any]) -> bool:
    """Whether a run is one that a claim is about."""
    facts = run.facts
    if facts["quality"] != "ok":
        return False
    for key, fact in (("port", "port"), ("mode", "mode"), ("kind", "kind"), ("load", "load_set")):
        if key in claim and claim[key] != facts[fact]:
            return False
    return "ambient_c" not in claim or abs(claim["ambient_c"] - facts["ambient_c"]) <= SAME_AMBIENT_K


def _figure(run: Run, quantity: str, sheet: dict[str, Any]) -> float | None:
    """The model's figure of a run for a claimed quantity; None where it has none."""
    truth = run.truth
    match quantity:
        case "energy_out_wh":
            return truth.get("energy_wh")
        case "cell_equivalent_mah":
            return 1000.0 * truth["energy_wh"] / float(sheet["rated"]["cell_voltage_v"])
        case "temperature_max_c":
            return truth.get("max_temperature_c")
        case "drop_3a_v" | "drop_5a_v":
            amps = float(quantity[5])
            return amps * truth["resistance_mohm"] / 1000.0 if "resistance_mohm" in truth else None
        case _:
            return truth.get(quantity)
