"""What each device puts into one row of a comparison: its tests under a condition common to all, else its own.

Knows sheets and evidence; knows no SQL and no screen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from store.judge.derived.on_sheet import sheet_uncertainty
from store.judge.derived.per_device import per_mass, per_volume, price_per_energy
from store.judge.derived.sustained import sustained_power
from store.judge.differences import unlike
from store.judge.evidence import BenchEvidence
from store.judge.figures import reference_runs
from store.judge.matching import ROOM_C, groups_of_one_condition, same_load, shared_groups
from store.judge.measured import Measured, RunEvidence, measured, pool
from store.methods.specs import spec_of
from store.model.sheet import DeviceSheet
from store.usb.offers import mode_fits
from store.words.quantities import unit_of

__all__ = ["Cell", "cells_of"]

_OF_ENERGY = {"wh_per_kg": per_mass, "wh_per_l": per_volume, "price_per_usable_wh": price_per_energy}


SWEPT = ("regulation", "overload", "light-load", "efficiency", "cable")
"""Kinds of test in which the load goes through a range."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One device's value with the values of its single tests."""

    item: Measured | None
    runs: tuple[RunEvidence, ...] = ()
    singles: tuple[float, ...] = ()
    reason: str = ""


def cells_of(name: str, sheets: Sequence[DeviceSheet], evidence: BenchEvidence) -> tuple[list[Cell], tuple[str, ...]]:
    """Every device's value, and what differs between the tests where no common condition was tested."""
    if name in ("mass_g", "rated_energy_wh"):
        return [_sheet_cell(name, sheet) for sheet in sheets], ()
    if name == "sustained_power_w":
        return [_sustained_cell(evidence.of(sheet.device)) for sheet in sheets], ()
    base = "energy_out_wh" if name in _OF_ENERGY else name
    groups = _common_groups(base, sheets, evidence)
    differs: tuple[str, ...] = ()
    if groups is None:
        groups = [_own_group(base, sheet, evidence) for sheet in sheets]
        differs = _conditions_differ(groups)
    return [_cell(name, base, sheet, group) for sheet, group in zip(sheets, groups, strict=True)], differs


def _cell(name: str, base: str, sheet: DeviceSheet, group: Sequence[RunEvidence]) -> Cell:
    found = [item for item in (measured(run, base) for run in group) if item is not None]
    if not found:
        return Cell(None, reason="no test of it")
    item: Measured | None = pool(found)
    singles = tuple(value.value for value in found)
    if name in _OF_ENERGY and item is not None:
        scale_from = item.value
        item = _OF_ENERGY[name](item, sheet)
        if item is None:
            return Cell(None, reason="its sheet lacks mass, size or price")
        singles = tuple(value * item.value / scale_from for value in singles)
    return Cell(item, tuple(group), singles)


def _sheet_cell(name: str, sheet: DeviceSheet) -> Cell:
    value = sheet.mass_g if name == "mass_g" else sheet.energy_wh
    if value is None:
        return Cell(None, reason="not on the sheet")
    return Cell(Measured(value, unit_of(name), sheet_uncertainty(sheet, name)))


def _sustained_cell(runs: Sequence[RunEvidence]) -> Cell:
    found = sustained_power(runs)
    if found.power_w is None:
        return Cell(None, reason=found.reason)
    return Cell(Measured(found.power_w, "W", 0.0, found.run_ids))


def _usable(name: str, runs: Sequence[RunEvidence]) -> list[RunEvidence]:
    """Good runs at room temperature, one port loaded, that have the result and are no lower bound."""
    spec = spec_of(name)
    kinds = spec.kinds if spec is not None else ()
    shared = shared_groups(runs)
    return [
        run
        for run in runs
        if run.quality == "ok"
        and run.group_id not in shared
        and (not kinds or run.kind in kinds)
        and run.value(name) is not None
        and not run.is_lower_bound
        and not run.is_at_least(name)
        and (run.ambient_c is None or ROOM_C[0] <= run.ambient_c <= ROOM_C[1])
    ]


def _common_groups(
    name: str, sheets: Sequence[DeviceSheet], evidence: BenchEvidence
) -> list[tuple[RunEvidence, ...]] | None:
    """Repeats under one condition that every device was tested under; None where there is none.

    Of several conditions the one counts whose uncertainties are known, then the one with most tests.
    """
    by_device = [groups_of_one_condition(_usable(name, evidence.of(sheet.device))) for sheet in sheets]
    candidates = []
    for group in by_device[0]:
        matching = [next((other for other in found if _is_like(group[0], other[0])), None) for found in by_device]
        if all(found is not None for found in matching):
            candidates.append([found for found in matching if found is not None])
    if not candidates:
        return None
    best: list[tuple[RunEvidence, ...]] = max(candidates, key=lambda groups: _weight(name, groups))
    return best


def _weight(name: str, groups: Sequence[Sequence[RunEvidence]]) -> tuple[bool, int]:
    is_known = all(run.results[name].uncertainty is not None for group in groups for run in group)
    return is_known, sum(len(group) for group in groups)


def _is_like(first: RunEvidence, second: RunEvidence) -> bool:
    """One kind of test, one port, one mode, one load; a sweep's load is its device's own rating."""
    if first.kind != second.kind or first.port != second.port:
        return False
    modes = first.mode == second.mode or (first.mode is not None and mode_fits(first.mode, second.mode))
    loads = (
        first.kind in SWEPT
        or first.load_set == second.load_set
        or (first.load_set is not None and same_load(first.load_set, second.load_set))
    )
    return modes and loads


def _own_group(name: str, sheet: DeviceSheet, evidence: BenchEvidence) -> tuple[RunEvidence, ...]:
    """A device's own reference where no condition is common to all."""
    runs = evidence.of(sheet.device)
    reference = [run for run in reference_runs(sheet, runs) if run.value(name) is not None]
    if reference:
        return tuple(reference)
    groups = groups_of_one_condition(_usable(name, runs))
    return max(groups, key=len, default=())


def _conditions_differ(groups: Sequence[Sequence[RunEvidence]]) -> tuple[str, ...]:
    firsts = [group[0] for group in groups if group]
    return unlike(
        {
            "port": [run.port for run in firsts],
            "mode": [run.mode for run in firsts],
            "load": [run.load_set for run in firsts if run.kind not in SWEPT],
            "kind of test": [run.kind for run in firsts],
        }
    )
