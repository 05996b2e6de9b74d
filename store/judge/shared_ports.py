"""Claims about several ports at once: `C1+A1` at `45 W + 15 W`.

Knows records of claims and runs only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from store.judge.matching import AMBIENT_BAND_K, same_load, shared_groups
from store.judge.measured import Measured, RunEvidence, made_of, measured
from store.judge.pooling import pool
from store.model.sheet import ClaimSheet
from store.usb.offers import mode_fits
from store.words.quantities import unit_of

__all__ = ["SUMMED", "judge_shared"]

SUMMED = ("energy_out_wh", "charge_out_ah", "power_plateau_w", "power_mean_w", "energy_wh", "charge_ah")
"""What ports add up to; of times and temperatures the worst port's counts."""


def judge_shared(claim: ClaimSheet, runs: Sequence[RunEvidence]) -> Measured | str:
    """What several ports gave together: the mean over groups that fit, or the sentence that says what is missing."""
    ports = [part.strip() for part in (claim.port or "").split("+")]
    loads = [part.strip() for part in (claim.load or "").split("+")] if claim.load else []
    found = []
    for members in shared_groups(runs).values():
        chosen = _chosen(claim, members, ports, loads)
        values = [measured(run, claim.quantity) for run in chosen]
        usable = [value for value in values if value is not None]
        if chosen and len(usable) == len(chosen):
            found.append(_together(claim, usable))
    if found:
        return pool(found)
    at = f" at {claim.load}" if claim.load else ""
    return f"Missing: a group of discharge runs on {' and '.join(ports)} together{at}."


def _chosen(
    claim: ClaimSheet, members: Sequence[RunEvidence], ports: Sequence[str], loads: Sequence[str]
) -> list[RunEvidence]:
    """The group's runs port by port, empty where the group is another test."""
    chosen = []
    if {run.port for run in members} != set(ports):
        return []
    for index, port in enumerate(ports):
        wanted = loads[index] if index < len(loads) else None
        fitting = [run for run in members if run.port == port and _fits(claim, run, wanted)]
        if not fitting:
            return []
        chosen.append(fitting[0])
    return chosen


def _fits(claim: ClaimSheet, run: RunEvidence, load: str | None) -> bool:
    if run.quality == "rejected":
        return False
    if load is not None and not same_load(load, run.load_set):
        return False
    if claim.mode and "+" not in claim.mode and not mode_fits(claim.mode, run.mode):
        return False
    if claim.ambient_c is None or run.ambient_c is None:
        return True
    return abs(run.ambient_c - claim.ambient_c) <= AMBIENT_BAND_K


def _together(claim: ClaimSheet, values: Sequence[Measured]) -> Measured:
    conditions = tuple(text for value in values for text in value.conditions)
    run_ids = tuple(run for value in values for run in value.run_ids)
    if claim.quantity in SUMMED:
        total = sum(value.value for value in values)
        return made_of(total, values[0].unit or unit_of(claim.quantity), [(1.0, value) for value in values])
    worst = (max if claim.bound == "at most" else min)(values, key=lambda value: value.value)
    return replace(worst, run_ids=run_ids, conditions=conditions)
