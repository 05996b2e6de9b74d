"""Results of runs as figures of a page: by condition, with repeats put together.

Knows evidence; knows no SQL and no screen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from store.devices.records import ConditionRow, Figure
from store.judge.matching import ROOM_C, groups_of_one_condition, shared_groups
from store.judge.measured import Measured, RunEvidence, measured
from store.judge.pooling import pool
from store.methods.specs import label_of, page_tables
from store.model.sheet import DeviceSheet
from store.words.facts import parse_load
from store.words.quantities import unit_of

__all__ = ["figure_of", "reference_runs", "rows_of_kind"]


def figure_of(name: str, item: Measured, *, label: str | None = None, note: str = "") -> Figure:
    """A measured value as a figure."""
    return Figure(
        name=name,
        label=label or label_of(name),
        value=item.value,
        unit=item.unit,
        uncertainty=item.uncertainty,
        count=item.count,
        spread=item.spread,
        condition="; ".join(item.conditions),
        run_ids=item.run_ids,
        note=note or item.note,
        dof=item.dof,
    )


def rows_of_kind(runs: Sequence[RunEvidence], kind: str) -> tuple[ConditionRow, ...]:
    """Every condition of one kind of test; suspect and rejected runs don't count where good ones are.

    Rows in which no figure of the kind has a value are left out.
    """
    shared = shared_groups(runs)
    rows = []
    for group in groups_of_one_condition([run for run in runs if run.kind == kind and run.quality != "rejected"]):
        for members in _apart(group, shared):
            good = [run for run in members if run.quality == "ok"] or list(members)
            figures = tuple(_figure(good, name) for name in page_tables()[kind])
            if any(figure.value is not None for figure in figures):
                rows.append(_row(good, figures, is_shared=good[0].group_id in shared))
    return tuple(rows)


def _apart(group: Sequence[RunEvidence], shared: Mapping[int, Sequence[RunEvidence]]) -> list[tuple[RunEvidence, ...]]:
    """Runs alone and runs beside a loaded port are no repeats of each other."""
    alone = tuple(run for run in group if run.group_id not in shared)
    beside = tuple(run for run in group if run.group_id in shared)
    return [members for members in (alone, beside) if members]


def _row(good: Sequence[RunEvidence], figures: tuple[Figure, ...], *, is_shared: bool) -> ConditionRow:
    ambients = [run.ambient_c for run in good if run.ambient_c is not None]
    return ConditionRow(
        port=good[0].port or "",
        mode=good[0].mode or "",
        load=good[0].load_set or "",
        ambient_c=sum(ambients) / len(ambients) if ambients else None,
        count=len(good),
        run_ids=tuple(run.run_id for run in good),
        figures=figures,
        is_shared=is_shared,
    )


def _figure(runs: Sequence[RunEvidence], name: str) -> Figure:
    found = [item for item in (measured(run, name) for run in runs) if item is not None]
    if found:
        return figure_of(name, pool(found))
    reasons = [run.results[name].reason for run in runs if name in run.results and run.results[name].reason]
    return Figure(name, label_of(name), None, unit_of(name), reason=reasons[0] if reasons else "no such result")


def reference_runs(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> tuple[RunEvidence, ...]:
    """Discharges that speak for a power bank: at room temperature, one port, the load nearest to half of its rating.

    Half of the rated output is what a device is mostly used at; common practice, no source. Among ports and modes
    tested at such a load the one with a known uncertainty counts, then the one with the largest mean energy.
    """
    shared = shared_groups(runs)
    usable = [
        run
        for run in runs
        if run.kind == "discharge"
        and run.quality == "ok"
        and run.group_id not in shared
        and not run.is_lower_bound
        and run.value("energy_out_wh") is not None
        and (run.ambient_c is None or ROOM_C[0] <= run.ambient_c <= ROOM_C[1])
    ]
    groups = groups_of_one_condition(usable)
    if not groups:
        return ()

    def order(group: Sequence[RunEvidence]) -> tuple[float, bool, float]:
        load = parse_load(group[0].load_set)
        watts = load.value if load is not None and load.unit == "W" else group[0].value("power_plateau_w") or 0.0
        half = (sheet.output_w or 2 * watts) / 2
        energies = [run.value("energy_out_wh") or 0.0 for run in group]
        is_unknown = any(run.results["energy_out_wh"].uncertainty is None for run in group)
        return abs(watts - half), is_unknown, -sum(energies) / len(energies)

    return min(groups, key=order)
