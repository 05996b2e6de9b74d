"""Figures of a device as a whole as results: value, budget, runs, condition. Knows sheets and evidence; no SQL."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from store.judge.derived.on_sheet import HOW_KNOWN
from store.judge.headline import headline_items
from store.judge.measured import Measured, RunEvidence
from store.methods.specs import label_of, spec_of
from store.model.results import Account, Contribution, Result
from store.model.sheet import DeviceSheet
from store.version import __version__

__all__ = ["METHOD", "DeviceResult", "FigureRow", "device_results", "row_of_figure"]

METHOD = "figure of a device"
VERSION = 1

_OF_TESTS = "the mean over its tests at one condition: discharges at half of the rated output, at room temperature"
_FORMULAS = {
    "yield": "delivered energy / rated energy",
    "round_trip": "delivered energy / energy taken in, of each discharge and the recharge that goes with it",
    "wall_to_load": "round trip x efficiency of the adapter that recharged it",
    "wasted_share": "1 - round trip x efficiency of the adapter",
    "wh_per_kg": "delivered energy / mass of the device alone",
    "wh_per_l": "delivered energy / (length x width x height)",
    "price_per_usable_wh": "price / delivered energy",
    "sustained_power_w": "the largest set load that every test of it held to the end, or to steady",
    "w_per_kg": "sustained power / mass of the device alone",
    "rated_wh_per_kg": "rated energy / mass of the device alone",
    "rated_wh_per_l": "rated energy / (length x width x height)",
    "efficiency_average": "the mean of the efficiencies at 25, 50, 75 and 100 % of rated current",
    "mass_g": "as weighed",
}


@dataclass(frozen=True, slots=True)
class DeviceResult:
    """One figure of a device."""

    device: str
    result: Result
    condition: str = ""
    run_ids: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One figure of a device as a row of the `results` view, by the names of its columns."""

    device: str
    name: str
    value: float | None
    unit: str
    uncertainty: float | None
    dof: float | None
    expanded: float | None
    flags: tuple[str, ...]
    method: str
    method_version: int
    current: bool
    reason: str
    warnings: str
    """JSON, a list of texts."""
    program_version: str
    condition: str
    runs: tuple[int, ...]


def row_of_figure(found: DeviceResult) -> FigureRow:
    """A figure as it stands in the `results` view."""
    result = found.result
    return FigureRow(
        found.device,
        result.name,
        result.value,
        result.unit,
        result.uncertainty,
        result.dof,
        result.expanded,
        tuple(sorted(flag.value for flag in result.flags)),
        result.method,
        result.method_version,
        True,
        result.reason,
        json.dumps(list(result.warnings), ensure_ascii=False),
        __version__,
        found.condition,
        found.run_ids,
    )


def device_results(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> tuple[DeviceResult, ...]:
    """Every figure of a device as a whole; what can't be had stands there with its reason.

    Args:
        sheet: The device's sheet.
        runs: Its runs with their current results, derived ones among them.
    """
    found = []
    for name, item in headline_items(sheet, runs):
        spec = spec_of(name)
        if isinstance(item, str):
            unit = spec.unit if spec is not None else ""
            absent = Result(name, None, unit, None, METHOD, VERSION, reason=item, formula=_FORMULAS.get(name, ""))
            found.append(DeviceResult(sheet.device, absent))
        else:
            found.append(DeviceResult(sheet.device, _result(name, item), "; ".join(item.conditions), item.run_ids))
    return tuple(found)


def _result(name: str, item: Measured) -> Result:
    told = {"runs": ", ".join(map(str, item.run_ids)), "tested at": "; ".join(item.conditions)}
    if item.count > 1:
        told["tests"] = f"{item.count}, spread {item.spread:.3g}" if item.spread is not None else str(item.count)
    formula = _FORMULAS.get(name, f"{label_of(name)}: {_OF_TESTS}")
    return Result(
        name,
        item.value,
        item.unit,
        item.uncertainty,
        METHOD,
        VERSION,
        reason="the accuracy of a meter of its runs is not stated" if item.uncertainty is None else "",
        warnings=tuple(text for text in (item.note, HOW_KNOWN.get(name, "")) if text),
        budget=tuple(budget_of(item)),
        account=Account(told={key: value for key, value in told.items() if value}),
        formula=formula,
        flags=item.flags,
        dof=item.dof,
    )


def budget_of(item: Measured) -> Iterable[Contribution]:
    """What an uncertainty is made of: each error of each meter once, with what cancels left out; then the rest."""
    if not item.uncertainty:
        return
    squares: dict[tuple[str, str], float] = {}
    common: set[tuple[str, str]] = set()
    for parts in (item.common, item.steady):
        for key, part in parts.items():
            squares[key[0], key[1]] = squares.get((key[0], key[1]), 0.0) + part * part
            if parts is item.common:
                common.add((key[0], key[1]))
    for (meter, name), square in squares.items():
        detail = f"of {meter}, as its runs share it: what cancels is left out" if meter else "the same in every test"
        is_common = (meter, name) in common
        yield Contribution(name, math.sqrt(square), "B", "rectangular", detail, is_common=is_common)
    if item.random:
        tests = f"{item.count} tests" if item.count > 1 else "the test"
        detail = f"edges and scatter, drawn anew by {tests}"
        own_dof = item.random**4 / item.fourth if item.fourth > 0.0 else None
        yield Contribution("each test's own", item.random, "A", "normal", detail, dof=own_dof)
