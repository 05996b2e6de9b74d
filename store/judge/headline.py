"""Headline figures of a device and of its model, and how long its energy lasts. Knows sheets and evidence only."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from store.devices.records import Figure, RuntimeLine
from store.judge.derived.on_sheet import sheet_uncertainty
from store.judge.derived.per_device import per_mass, per_volume, power_per_mass, price_per_energy
from store.judge.derived.ratios import LoadPoint, runtime_at
from store.judge.derived.sustained import sustained_power
from store.judge.evidence import BenchEvidence
from store.judge.figures import figure_of, reference_runs, rows_of_kind
from store.judge.matching import groups_of_one_condition
from store.judge.measured import Measured, RunEvidence, measured
from store.judge.pooling import pool
from store.methods.specs import label_of, spec_of
from store.model.sheet import DeviceSheet
from store.words.facts import parse_load
from store.words.quantities import unit_of

__all__ = ["headline_figures", "headline_items", "model_figures", "runtime_lines"]

HEADLINE = ("energy_out_wh", "yield", "round_trip", "wall_to_load", "wasted_share")
RUNTIME_H = "runtime_h"


def headline_figures(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> Iterable[Figure]:
    """The figures at the head of a device's page."""
    for name, item in headline_items(sheet, runs):
        if not isinstance(item, str):
            yield figure_of(name, item)
        elif name == HEADLINE[0]:
            yield Figure(name, label_of(name), None, unit_of(name), reason=item)


def headline_items(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> Iterable[tuple[str, Measured | str]]:
    """Names and values of the figures of a device as a whole, or the reason why there is none, page by page's order."""
    if sheet.kind == "power bank":
        yield from _bank_items(sheet, runs)
    for name in {"adapter": ("efficiency_average", "no_load_w"), "cable": ("resistance_mohm",)}.get(sheet.kind, ()):
        groups = [_pooled(group, name) for group in groups_of_one_condition([r for r in runs if name in r.results])]
        yield from ((name, item) for item in groups if item is not None)
    if sheet.mass_g is not None:
        yield "mass_g", Measured(sheet.mass_g, "g", sheet_uncertainty(sheet, "mass_g"))


def _bank_items(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> Iterable[tuple[str, Measured | str]]:
    reference = reference_runs(sheet, runs)
    for name in HEADLINE:
        yield name, _pooled(reference, name) or _why_absent(reference, name)
    energy = _pooled(reference, "energy_out_wh")
    rated = sheet.energy_wh
    made: list[tuple[str, Measured | None]] = []
    if energy is not None:
        made += [
            ("wh_per_kg", per_mass(energy, sheet)),
            ("wh_per_l", per_volume(energy, sheet)),
            ("price_per_usable_wh", price_per_energy(energy, sheet)),
        ]
    if rated is not None:
        made += [
            ("rated_wh_per_kg", per_mass(Measured(rated, "Wh", 0.0), sheet)),
            ("rated_wh_per_l", per_volume(Measured(rated, "Wh", 0.0), sheet)),
        ]
    sustained = sustained_power(runs)
    if sustained.power_w is not None:
        power = Measured(sustained.power_w, "W", 0.0, sustained.run_ids)
        made += [("sustained_power_w", power), ("w_per_kg", power_per_mass(power, sheet))]
    yield from ((name, item) for name, item in made if item is not None)


def _why_absent(reference: Sequence[RunEvidence], name: str) -> str:
    if not reference:
        return "Missing: a discharge at room temperature."
    told = [result.reason for run in reference if (result := run.results.get(name)) is not None and result.reason]
    spec = spec_of(name)
    return told[0] if told else spec.to_get_it if spec is not None else "no such result"


def model_figures(sheet: DeviceSheet, evidence: BenchEvidence, samples: Sequence[str]) -> Iterable[Figure]:
    """Means over all samples of the model, at the condition of this one's own figures; never the best one.

    Each sample counts once, however often it was tested.
    """
    reference = reference_runs(sheet, evidence.of(sheet.device)) if sheet.kind == "power bank" else ()
    if not reference or not samples:
        return
    everybody = {name: evidence.of(name) for name in (sheet.device, *samples)}
    all_runs = [run for found in everybody.values() for run in found]
    alike = next(group for group in groups_of_one_condition(all_runs) if reference[0] in group)
    ids = {run.run_id for run in alike}
    for name in ("energy_out_wh", "yield", "round_trip"):
        means = {d: _pooled([run for run in found if run.run_id in ids], name) for d, found in everybody.items()}
        there = {device: item for device, item in means.items() if item is not None}
        if len(there) > 1:
            note = f"mean of {len(there)} samples of the model: {', '.join(sorted(there))}"
            item = pool(list(there.values()))
            yield figure_of(f"model_{name}", item, label=f"{label_of(name)}, the model", note=note)


def _pooled(runs: Sequence[RunEvidence], name: str) -> Measured | None:
    found = [item for item in (measured(run, name) for run in runs if run.quality == "ok") if item is not None]
    return pool(found) if found else None


def runtime_lines(runs: Sequence[RunEvidence], loads_w: Sequence[float]) -> tuple[RuntimeLine, ...]:
    """Hours at loads that are asked for, at the port and mode of which most loads were tested at room temperature."""
    by_place: dict[tuple[str | None, str | None], list[RunEvidence]] = {}
    for row in rows_of_kind(runs, "discharge"):
        if row.is_shared or (row.ambient_c is not None and not 15.0 <= row.ambient_c <= 30.0):
            continue
        members = [run for run in runs if run.run_id in row.run_ids and run.quality == "ok"]
        by_place.setdefault((row.port, row.mode), []).extend(members)
    points: dict[tuple[str | None, str | None], list[LoadPoint]] = {}
    for place, members in by_place.items():
        found = [_point(group) for group in groups_of_one_condition(members)]
        points[place] = [point for point in found if point is not None]
    return tuple(_runtime_line(load_w, points) for load_w in loads_w)


def _point(group: Sequence[RunEvidence]) -> LoadPoint | None:
    energy, load = _pooled(group, "energy_out_wh"), parse_load(group[0].load_set)
    watts = load.value if load is not None and load.unit == "W" else group[0].value("power_plateau_w")
    if energy is None or watts is None or any(run.is_lower_bound for run in group):
        return None
    return LoadPoint(watts, energy, all(run.value("first_cutback_s") is None for run in group))


def _runtime_line(load_w: float, points: dict[tuple[str | None, str | None], list[LoadPoint]]) -> RuntimeLine:
    """The place whose tested loads lie nearest about the load that is asked for."""

    def distance(found: Sequence[LoadPoint]) -> float:
        return min((abs(math.log(point.load_w / load_w)) for point in found if point.held), default=math.inf)

    def is_beyond(found: Sequence[LoadPoint]) -> bool:
        return load_w > max((point.load_w for point in found if point.held), default=0.0)

    best = min(points, key=lambda place: (is_beyond(points[place]), distance(points[place])), default=None)
    if best is None:
        absent = Figure(RUNTIME_H, label_of(RUNTIME_H), None, "h", reason="Missing: a discharge at room temperature.")
        return RuntimeLine(load_w, "", absent)
    found = runtime_at(load_w, points[best])
    condition = ", ".join(part for part in best if part)
    if found.hours is None:
        return RuntimeLine(load_w, condition, Figure(RUNTIME_H, label_of(RUNTIME_H), None, "h", reason=found.reason))
    figure = figure_of(RUNTIME_H, found.hours, note=found.reason)
    return RuntimeLine(load_w, condition, figure)
