"""What was settled, as the plan that reading follows: signs, directions, a reason for every column.

Knows the state of a decision. Reads no file.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from importers.decide.columns import Column
from importers.decide.evidence import Array, Work, median_step
from importers.decide.grouping import Group, Slots
from importers.decide.parting import RunParting
from importers.decide.plan import ColumnPlan, Plan, RunPlan
from importers.decide.sense import find_sense
from importers.schema import Facts

__all__ = ["assemble", "run_plan"]


def run_plan(work: Work, group: Group) -> RunPlan:
    """One port's part: its columns, its direction, its signs."""
    plans = [replace(work.plans[c.index], port=group.port, channel=ch) for ch, c in group.by_channel.items()]
    values = {p.channel: _every(work.columns[p.index]) * p.factor + p.offset for p in plans if p.channel is not None}
    sense = find_sense(values, group.side, work.direction or work.preamble.direction, is_descending=_descends(work))
    turned = set(sense.turned)
    plans = [
        replace(p, factor=-p.factor, reason=f"{p.reason}; logged as negative; sign reversed")
        if p.channel in turned
        else p
        for p in plans
    ]
    return RunPlan(
        group.port,
        tuple(sorted(plans, key=lambda p: p.index)),
        sense.direction,
        tuple(sense.turned),
        sense.follow_current,
        sense.note,
    )


def _every(column: Column) -> Array:
    """All values looked at, those from within and from the end of a longer file included."""
    return np.concatenate((column.values, column.late)) if len(column.late) else column.values


def assemble(work: Work, slots: Slots, runs: tuple[RunPlan, ...], parting: RunParting, zone: str) -> Plan:
    """The plan of the whole file, with a reason for every column, used or not."""
    clock = work.clock
    assert clock.form is not None  # noqa: S101 - decided at the beginning
    by_index: dict[int, ColumnPlan] = {p.index: p for run in reversed(runs) for p in run.columns}
    shared = [i for i in by_index if sum(any(p.index == i for p in run.columns) for run in runs) > 1]
    columns = []
    for column in work.columns:
        i = column.index
        if i in by_index:
            columns.append(replace(by_index[i], port=None) if i in shared else by_index[i])
        elif i in clock.form.columns:
            columns.append(
                ColumnPlan(
                    i,
                    column.name,
                    "t_s",
                    clock.form.unit or clock.form.format,
                    1.0 if clock.form.format else abs(clock.form.factor),
                    0.0,
                    None,
                    clock.confidence,
                    (clock.reasons or {}).get(i, clock.reason),
                )
            )
        elif i in clock.used:
            columns.append(
                ColumnPlan(
                    i, column.name, None, "", 1.0, 0.0, None, 0.98, (clock.reasons or {}).get(i, "gives the run's date")
                )
            )
        elif i in parting.indices:
            columns.append(ColumnPlan(i, column.name, "port", "", 1.0, 0.0, None, 0.97, parting.reason))
        else:
            why = slots.unused.get(i, "its name is not known, and no relation to the other columns identifies it")
            columns.append(ColumnPlan(i, column.name, None, "", 1.0, 0.0, None, 0.95, f"not used: {why}"))
    form = replace(clock.form, is_descending=_descends(work))
    step = median_step(work.seconds) or 1.0
    return Plan(
        work.layout,
        tuple(columns),
        runs,
        form,
        clock.confidence,
        clock.reason,
        clock.date_form,
        parting.columns,
        zone,
        _facts(work, slots),
        work.preamble.started_note,
        work.preamble.day_us,
        step,
    )


def _facts(work: Work, slots: Slots) -> Facts:
    """What the file states, with the place where its only voltage was taken."""
    facts = work.preamble.facts
    is_far = any(c.label.is_far for group in slots.groups for c in group.by_channel.values())
    return replace(facts, measured_at=facts.measured_at or "cable end") if is_far else facts


def _descends(work: Work) -> bool:
    good = work.seconds[np.isfinite(work.seconds)]
    steps = np.diff(good)
    steps = steps[steps != 0]
    return len(steps) > 0 and float((steps < 0).mean()) > 0.9
