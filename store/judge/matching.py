"""Which runs count for a claim, and what is missing where none does.

Knows records of claims and runs; knows no file, no catalogue and no screen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from store.judge.measured import RunEvidence
from store.methods.specs import spec_of
from store.model.sheet import ClaimSheet
from store.model.spec import ResultSpec
from store.usb.offers import mode_fits
from store.words.facts import parse_load

__all__ = [
    "AMBIENT_BAND_K",
    "LOAD_BAND",
    "ROOM_C",
    "Matching",
    "groups_of_one_condition",
    "match",
    "same_load",
    "shared_groups",
]

AMBIENT_BAND_K = 3.0
"""Runs within this of a stated ambient count for it."""

ROOM_C = (15.0, 30.0)
"""Ambients [°C] that count for a claim that states none: 20 to 25 °C with what rooms do. Chosen by us."""

LOAD_BAND = 0.02
"""A set load within 2 % of the claimed one is that load."""


@dataclass(frozen=True, slots=True)
class Matching:
    """The runs that fit a claim, or what is missing."""

    runs: tuple[RunEvidence, ...]
    missing: str = ""
    """The run that is missing, in words, where none fits."""
    note: str = ""


def shared_groups(runs: Sequence[RunEvidence]) -> dict[int, tuple[RunEvidence, ...]]:
    """Groups in which one device was discharged through several ports at once."""
    groups: dict[int, list[RunEvidence]] = {}
    for run in runs:
        if run.group_id is not None and run.kind == "discharge":
            groups.setdefault(run.group_id, []).append(run)
    return {group: tuple(members) for group, members in groups.items() if len({run.port for run in members}) > 1}


def same_load(first: str, second: str | None) -> bool:
    """Whether two set loads as typed are one: `30 W` and `30.0W`."""
    if second is None:
        return False
    left, right = parse_load(first), parse_load(second)
    if left is None or right is None:
        return first.replace(" ", "").casefold() == second.replace(" ", "").casefold()
    return left.unit == right.unit and math.isclose(left.value, right.value, rel_tol=LOAD_BAND)


def match(claim: ClaimSheet, runs: Sequence[RunEvidence]) -> Matching:
    """Find the runs that fit the condition of a claim.

    Rejected runs never count; suspect ones only where no other fits. A run in which several ports were loaded at
    once counts only for claims about those ports together, written `C1+A1`.
    """
    spec = spec_of(claim.quantity)
    shared = shared_groups(runs)
    alone = [run for run in runs if run.group_id not in shared and run.quality != "rejected"]
    kinds = _kinds(claim, spec)
    steps = [
        ("kind", [run for run in alone if not kinds or run.kind in kinds]),
    ]
    for name, fits in (("port", _fits_port), ("mode", _fits_mode), ("load", _fits_load), ("ambient", _fits_ambient)):
        steps.append((name, [run for run in steps[-1][1] if fits(claim, run)]))
    found = steps[-1][1]
    if claim.quantity and found and spec is not None and not spec.is_of_device:
        found = [run for run in found if claim.quantity in run.results] or found
    good = [run for run in found if run.quality == "ok"]
    if good:
        return Matching(tuple(good))
    if found:
        return Matching(tuple(found), note="Only suspect runs fit.")
    return Matching((), missing=_missing(claim, kinds, steps))


def _kinds(claim: ClaimSheet, spec: ResultSpec | None) -> tuple[str, ...]:
    if claim.kind:
        return (claim.kind,)
    return spec.kinds if spec is not None else ()


def _fits_port(claim: ClaimSheet, run: RunEvidence) -> bool:
    return claim.port is None or (run.port or "").casefold() == claim.port.casefold() or run.kind == "standby"


def _fits_mode(claim: ClaimSheet, run: RunEvidence) -> bool:
    return claim.mode is None or mode_fits(claim.mode, run.mode)


def _fits_load(claim: ClaimSheet, run: RunEvidence) -> bool:
    return claim.load is None or same_load(claim.load, run.load_set)


def _fits_ambient(claim: ClaimSheet, run: RunEvidence) -> bool:
    if run.ambient_c is None:
        return True
    if claim.ambient_c is None:
        return ROOM_C[0] <= run.ambient_c <= ROOM_C[1]
    return abs(run.ambient_c - claim.ambient_c) <= AMBIENT_BAND_K


def _missing(claim: ClaimSheet, kinds: tuple[str, ...], steps: Sequence[tuple[str, Sequence[RunEvidence]]]) -> str:
    """`A discharge on C1 in fixed 20 V at 60 W`, and what there is instead."""
    what = f"a {' or '.join(kinds)} run" if kinds else "a run"
    ambient = f"at {claim.ambient_c:g} °C" if claim.ambient_c is not None else "at room temperature"
    parts = [
        what,
        f"on {claim.port}" if claim.port else "",
        f"in {claim.mode}" if claim.mode else "",
        f"at {claim.load}" if claim.load else "",
        ambient if steps[-2][1] else "",
    ]
    sentence = "Missing: " + " ".join(part for part in parts if part) + "."
    nearest: Sequence[RunEvidence] = ()
    for _, left in steps:
        nearest = left or nearest
    if not nearest:
        return sentence
    there = "; ".join(f"run {run.run_id} at {run.condition()}" for run in nearest[:3])
    more = f" and {len(nearest) - 3} more" if len(nearest) > 3 else ""
    return f"{sentence} Nearest: {there}{more}."


def groups_of_one_condition(runs: Sequence[RunEvidence]) -> tuple[tuple[RunEvidence, ...], ...]:
    """Runs under one port, mode, load and ambient are repeats of one test; others are other tests."""
    groups: list[list[RunEvidence]] = []
    for run in runs:
        for group in groups:
            if _is_repeat(group[0], run):
                group.append(run)
                break
        else:
            groups.append([run])
    return tuple(tuple(group) for group in groups)


def _is_repeat(first: RunEvidence, second: RunEvidence) -> bool:
    if first.kind != second.kind or first.port != second.port:
        return False
    if not (first.mode == second.mode or (first.mode is not None and mode_fits(first.mode, second.mode))):
        return False
    if not (first.load_set == second.load_set or (first.load_set and same_load(first.load_set, second.load_set))):
        return False
    if first.ambient_c is None or second.ambient_c is None:
        return True
    return abs(first.ambient_c - second.ambient_c) <= AMBIENT_BAND_K
