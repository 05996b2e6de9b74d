"""What each device puts into one row of a comparison: its tests under the condition that most devices share.

Knows sheets and evidence; knows no SQL and no screen.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from store.judge.derived.on_sheet import sheet_uncertainty
from store.judge.derived.per_device import per_mass, per_volume, price_per_energy
from store.judge.derived.sustained import sustained_power
from store.judge.differences import unlike
from store.judge.evidence import BenchEvidence
from store.judge.figures import reference_runs
from store.judge.matching import LOAD_BAND, ROOM_C, groups_of_one_condition, same_load, shared_groups
from store.judge.measured import Measured, RunEvidence, measured
from store.judge.pooling import Scatter, pool, pooled_scatter
from store.methods.specs import spec_of
from store.model.sheet import DeviceSheet
from store.usb.offers import mode_fits
from store.words.quantities import unit_of

__all__ = ["Cells", "ComparedCell", "cells_of"]

_OF_ENERGY = {"wh_per_kg": per_mass, "wh_per_l": per_volume, "price_per_usable_wh": price_per_energy}


SWEPT = ("regulation", "overload", "light-load", "efficiency", "cable")
"""Kinds of test in which the load goes through a range."""

Group = tuple[RunEvidence, ...]


@dataclass(frozen=True, slots=True)
class ComparedCell:
    """One device's value."""

    item: Measured | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Cells:
    """One quantity over all devices."""

    cells: tuple[ComparedCell, ...]
    """One per device."""
    unlike: tuple[str, ...] = ()
    """What differs between the tests where most devices share no condition, a sentence each."""
    scatter: Scatter | None = None
    """What repeats scatter, pooled over the devices; None where no device was tested twice, or nothing is repeated."""
    is_tested: bool = False
    """Whether the values come from tests that could be repeated."""


def cells_of(name: str, sheets: Sequence[DeviceSheet], evidence: BenchEvidence) -> Cells:
    """Every device's value. Repeats are pooled over devices, and one tested once takes their repeatability."""
    if name in ("mass_g", "rated_energy_wh"):
        return Cells(tuple(_sheet_cell(name, sheet) for sheet in sheets))
    if name == "sustained_power_w":
        return Cells(tuple(_sustained_cell(sheet, evidence.of(sheet.device)) for sheet in sheets))
    base = "energy_out_wh" if name in _OF_ENERGY else name
    groups = _common_groups(base, sheets, evidence)
    differs: tuple[str, ...] = ()
    absent = ""
    if groups is None:
        groups = [_own_group(base, sheet, evidence) for sheet in sheets]
        differs = _conditions_differ(groups)
    else:
        first = next(group[0] for group in groups if group)
        absent = f"not tested at {replace(first, ambient_c=None).condition()}"
    found = [[item for run in group if (item := measured(run, base)) is not None] for group in groups]
    scatter = pooled_scatter([[item.value for item in items] for items in found])
    pooled = [pool(items, scatter) if items else None for items in found]
    if name in _OF_ENERGY:
        cells = [_of_energy(name, item, sheet) for item, sheet in zip(pooled, sheets, strict=True)]
    else:
        cells = [ComparedCell(item) for item in pooled]
    told = (
        cell if item else ComparedCell(None, absent or "no test of it")
        for cell, item in zip(cells, pooled, strict=True)
    )
    return Cells(tuple(told), differs, scatter, is_tested=any(found))


def _of_energy(name: str, energy: Measured | None, sheet: DeviceSheet) -> ComparedCell:
    item = _OF_ENERGY[name](energy, sheet) if energy is not None else None
    return ComparedCell(item, "" if item is not None else "its sheet lacks mass, size or price")


def _sheet_cell(name: str, sheet: DeviceSheet) -> ComparedCell:
    value = sheet.mass_g if name == "mass_g" else sheet.energy_wh
    if value is None:
        return ComparedCell(None, reason="not on the sheet")
    return ComparedCell(Measured(value, unit_of(name), sheet_uncertainty(sheet, name)))


def _sustained_cell(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> ComparedCell:
    """The largest load that held. The true one lies under the next that failed, and ends at the rated output.

    Where no load between it and the rating was tried, nobody knows how far the device goes.
    """
    found = sustained_power(runs)
    if found.power_w is None:
        return ComparedCell(None, reason=found.reason)
    reach = math.inf
    if found.failed_w is not None:
        reach = found.failed_w - found.power_w
    elif sheet.output_w is not None and found.power_w >= (1.0 - LOAD_BAND) * sheet.output_w:
        reach = 0.0
    return ComparedCell(Measured(found.power_w, "W", 0.0, found.run_ids, reach=reach))


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


def _common_groups(name: str, sheets: Sequence[DeviceSheet], evidence: BenchEvidence) -> list[Group] | None:
    """Repeats under one condition that most devices were tested under; None where there is none.

    Of several conditions the one counts that most devices have with a known uncertainty, then the one that most have,
    then the one with most tests. A device that lacks it has an empty group. Most: more than half of those that have
    such a result at all, and two at least.
    """
    by_device = [groups_of_one_condition(_usable(name, evidence.of(sheet.device))) for sheet in sheets]
    least = max(2, 1 + sum(1 for groups in by_device if groups) // 2)
    best: list[Group] | None = None
    for condition in _each_condition(by_device):
        found: list[Group] = [
            next((other for other in groups if _is_like(condition[0], other[0])), ()) for groups in by_device
        ]
        if sum(1 for group in found if group) < least:
            continue
        if best is None or _weight(name, found) > _weight(name, best):
            best = found
    return best


def _each_condition(by_device: Sequence[Sequence[Group]]) -> Iterable[Group]:
    """One group of each condition that any device was tested under."""
    seen: list[Group] = []
    for groups in by_device:
        for group in groups:
            if not any(_is_like(other[0], group[0]) for other in seen):
                seen.append(group)
                yield group


def _weight(name: str, groups: Sequence[Group]) -> tuple[int, int, int]:
    known = sum(1 for group in groups if group and all(run.results[name].uncertainty is not None for run in group))
    return known, sum(1 for group in groups if group), sum(len(group) for group in groups)


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


def _own_group(name: str, sheet: DeviceSheet, evidence: BenchEvidence) -> Group:
    """A device's own reference where no condition is common to most."""
    runs = evidence.of(sheet.device)
    reference = [run for run in reference_runs(sheet, runs) if run.value(name) is not None]
    if reference:
        return tuple(reference)
    groups = groups_of_one_condition(_usable(name, runs))
    return max(groups, key=len, default=())


def _conditions_differ(groups: Sequence[Group]) -> tuple[str, ...]:
    firsts = [group[0] for group in groups if group]
    return unlike(
        {
            "port": [run.port for run in firsts],
            "mode": [run.mode for run in firsts],
            "load": [run.load_set for run in firsts if run.kind not in SWEPT],
            "kind of test": [run.kind for run in firsts],
        }
    )
