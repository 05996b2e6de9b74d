"""Claims held against runs and the sheet: from what is printed on a box to a verdict that names its runs.

Knows records of claims and runs; knows no file, no catalogue and no screen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from store.judge.claim_reading import claim_problem
from store.judge.contradictions import contradictions
from store.judge.derived.charges import CHARGES, battery_wh, charges, like_runs
from store.judge.derived.on_sheet import SHEET_FIELDS
from store.judge.derived.sustained import judge_sustained
from store.judge.matching import Matching, groups_of_one_condition, match
from store.judge.measured import Measured, RunEvidence, measured
from store.judge.pooling import pool
from store.judge.shared_ports import judge_shared
from store.judge.sheet_claims import judge_flight, judge_offers, judge_sheet, verdict_of
from store.methods.specs import canonical
from store.model.results import Flag
from store.model.sheet import ClaimSheet, DeviceSheet
from store.uncertainty.decision import (
    MET,
    NOT_AT_PORT,
    NOT_CHECKABLE,
    NOT_MET,
    NOT_TESTED,
    TOO_CLOSE,
    Decision,
    Limits,
    Verdict,
    decide,
    limits_of,
)
from store.uncertainty.freedom import coverage_factor
from store.usb.offers import offered_voltages, read_mode
from store.words.numbers import figure_text
from store.words.quantities import convert, unit_of

__all__ = ["judge_claims"]


_LEAST = frozenset({Flag.AT_LEAST, Flag.STARTS_LATE})
"""Of logs that start late older methods said no more than that."""
_BOUNDS = _LEAST | {Flag.AT_MOST}
ENERGY = "energy_out_wh"
_CELL_RATINGS = frozenset({"charge_out_ah", "cell_equivalent_mah"})
_SAME_RATING = 0.01
"""A claimed charge within 1 % of the rated capacity is that capacity."""

_SAID = frozenset({Flag.AT_LEAST, Flag.AT_MOST, Flag.ASSUMED_INPUT})
"""Flags whose note a verdict repeats."""


def judge_claims(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> list[Verdict]:
    """Hold every claim of a sheet against the device's runs, in the sheet's order.

    Args:
        sheet: The device's sheet.
        runs: Its runs with their current results, derived ones among them.
    """
    ports = tuple(port.name for port in sheet.ports)
    fitting, left_out = [], []
    for run in runs:
        told = contradictions(
            str(run.run_id),
            port=run.port,
            mode=run.mode,
            kind=run.kind,
            value=run.value,
            ports=ports,
        )
        if told:
            left_out += [f"Run {run.run_id} is left out. {text}" for text in told]
        else:
            fitting.append(run)
    verdicts = [_judge(sheet, position, claim, fitting) for position, claim in enumerate(sheet.claims, start=1)]
    note = " ".join(left_out[:2])
    return [replace(v, reason=f"{v.reason} {note}".strip()) if v.verdict == NOT_TESTED else v for v in verdicts]


def _judge(sheet: DeviceSheet, position: int, claim: ClaimSheet, runs: Sequence[RunEvidence]) -> Verdict:
    claim = replace(claim, quantity=canonical(claim.quantity))
    known = sorted({name for run in runs for name in run.results})
    problem = claim_problem(claim, known)
    if problem:
        return verdict_of(sheet, position, claim, NOT_CHECKABLE, problem)
    if claim.quantity == "offers":
        return judge_offers(sheet, position, claim)
    if claim.quantity == "flight":
        return judge_flight(sheet, position, claim)
    if claim.quantity == CHARGES.name:
        return _judge_charges(sheet, position, claim, runs)
    unit = unit_of(claim.quantity)
    value = convert(claim.value or 0.0, claim.unit, unit)
    limits = limits_of(claim.bound, value, claim.tolerance_percent)
    if _is_cell_rating(sheet, claim):
        return _at_the_cells(sheet, position, claim, runs, limits)
    if claim.quantity == "charge_out_ah" and claim.mode is None and len(_voltages(sheet, runs)) > 1:
        reason = "A charge depends on the output voltage: write the one that is marked as `mode`, as in `5 V`."
        return verdict_of(sheet, position, claim, NOT_CHECKABLE, reason, limits=limits)
    if claim.quantity in SHEET_FIELDS:
        return judge_sheet(sheet, position, claim, limits)
    if claim.quantity == "sustained_power_w":
        found = judge_sustained(claim, value, runs)
        return _from_measured(sheet, position, claim, limits, found)
    if claim.port and "+" in claim.port:
        return _from_measured(sheet, position, claim, limits, judge_shared(claim, runs))
    return _judge_runs(sheet, position, claim, limits, match(claim, runs))


def _voltages(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> set[float]:
    """Voltages that the device gives, by its sheet and by what it was tested at [V]."""
    offered = {volts for port in sheet.ports if port.direction != "in" for volts in offered_voltages(port.offers)}
    tested = {
        mode.highest_v for run in runs if run.kind == "discharge" and (mode := read_mode(run.mode or "")) is not None
    }
    return offered | tested


def _judge_charges(sheet: DeviceSheet, position: int, claim: ClaimSheet, runs: Sequence[RunEvidence]) -> Verdict:
    """How often it fills another battery: the worst condition of a like load counts, the conversion is assumed."""
    limits = limits_of(claim.bound, claim.value or 0.0, claim.tolerance_percent)
    found, missing = like_runs(claim, runs)
    size_wh = battery_wh(claim.unit) or math.nan
    energies = [_values(group, ENERGY) for group in groups_of_one_condition(found)]
    items = [charges(_of_one_condition(values), size_wh) for values in energies if values]
    if not items:
        why = missing or _absent(replace(claim, quantity=ENERGY), found)
        return verdict_of(sheet, position, claim, NOT_TESTED, why, limits=limits)
    return _worst_of(sheet, position, claim, limits, items)


def _judge_runs(sheet: DeviceSheet, position: int, claim: ClaimSheet, limits: Limits, found: Matching) -> Verdict:
    """Hold each condition that was tested against the limits; the worst of them is the verdict."""
    if not found.runs:
        return verdict_of(sheet, position, claim, NOT_TESTED, found.missing, limits=limits)
    found_values = [_values(group, claim.quantity) for group in groups_of_one_condition(found.runs)]
    groups = [_of_one_condition(values) for values in found_values if values]
    if not groups:
        near = [run for run in found.runs if Flag.NEAR_EDGE in _flags(run, claim.quantity)]
        if near:
            return verdict_of(sheet, position, claim, TOO_CLOSE, _absent(claim, near), limits=limits)
        return verdict_of(sheet, position, claim, NOT_TESTED, _absent(claim, found.runs), limits=limits)
    return _worst_of(sheet, position, claim, limits, groups, note=found.note)


def _values(runs: Sequence[RunEvidence], name: str) -> list[Measured]:
    return [value for value in (_value(run, name) for run in runs) if value is not None]


def _worst_of(
    sheet: DeviceSheet, position: int, claim: ClaimSheet, limits: Limits, groups: Sequence[Measured], *, note: str = ""
) -> Verdict:
    """The worst of all conditions that were tested decides; a bound is never the worst."""
    whole = [item for item in groups if not item.flags & _BOUNDS]
    decisions = [(_decide(item, claim, limits), item) for item in whole or groups]
    rank = {NOT_MET: 0, TOO_CLOSE: 1, MET: 2}
    decision, item = min(decisions, key=lambda pair: (rank[pair[0].verdict], pair[0].margin))
    reasons = [_reason(decision, item, claim, limits), note]
    if len(decisions) > 1:
        where = f" ({item.conditions[0]})" if item.conditions else ""
        reasons.insert(1, f"The claim states no closer condition: the worst of {len(decisions)} tested counts{where}.")
    return verdict_of(
        sheet,
        position,
        claim,
        decision.verdict,
        " ".join(text for text in reasons if text),
        item=item,
        decision=decision,
        limits=limits,
    )


def _of_one_condition(values: Sequence[Measured]) -> Measured:
    """Repeats put together. A bound joins no mean: it counts only where no whole test is there, then the tightest."""
    whole = [value for value in values if not value.flags & _BOUNDS]
    if whole:
        return pool(whole)
    least = [value for value in values if value.flags & _LEAST]
    if least:
        return max(least, key=lambda value: value.value)
    return min(values, key=lambda value: value.value)


def _flags(run: RunEvidence, name: str) -> frozenset[Flag]:
    result = run.results.get(name)
    return result.flags if result is not None else frozenset()


def _is_cell_rating(sheet: DeviceSheet, claim: ClaimSheet) -> bool:
    """Whether a claimed charge is the rating of the cells: no output voltage is stated, and it is what is marked."""
    if claim.quantity not in _CELL_RATINGS or claim.mode is not None or sheet.kind != "power bank":
        return False
    if sheet.capacity_mah is None or claim.value is None:
        return False
    milliamp_hours = convert(claim.value, claim.unit, unit_of(claim.quantity))
    if unit_of(claim.quantity) == "Ah":
        milliamp_hours *= 1000.0
    return math.isclose(milliamp_hours, sheet.capacity_mah, rel_tol=_SAME_RATING)


def _at_the_cells(
    sheet: DeviceSheet, position: int, claim: ClaimSheet, runs: Sequence[RunEvidence], limits: Limits
) -> Verdict:
    """A rating of the cells: it can't be held against what a port delivers; the delivered figure stands beside it."""
    volts = f" at {sheet.cell_voltage_v:g} V" if sheet.cell_voltage_v else ""
    reason = f"A rating of the cells{volts}, inside the device; a port delivers energy at another voltage."
    found = match(replace(claim, quantity="cell_equivalent_mah"), runs)
    values = [value for value in (_value(run, "cell_equivalent_mah") for run in found.runs) if value is not None]
    if values:
        best = _of_one_condition(values)
        text = figure_text(best.value, best.uncertainty, "mAh", coverage=coverage_factor(best.dof or math.inf))
        reason = f"{reason} Delivered: {text} as equivalent cell capacity."
        item = replace(best, conditions=())
        return verdict_of(sheet, position, claim, NOT_AT_PORT, reason, item=item)
    return verdict_of(sheet, position, claim, NOT_AT_PORT, reason, limits=limits)


def _value(run: RunEvidence, name: str) -> Measured | None:
    """A run's result; a charge that never ended took longer than the log."""
    found = measured(run, name)
    result = run.results.get(name)
    if found is not None or result is None:
        return found
    interval = run.value("interval_s")
    if name == "longest_dropout_s" and run.value("dropouts") == 0 and interval is not None:
        # None was seen: what may have hidden between two samples is the uncertainty.
        return Measured(
            0.0, "s", interval / math.sqrt(3.0), (run.run_id,), conditions=(run.condition(),), note=result.reason
        )
    lasted = run.value("duration_s")
    if name == "time_to_full_s" and lasted is not None and Flag.NOT_REACHED in result.flags:
        note = f"a lower bound: {result.reason}"
        least = frozenset({Flag.AT_LEAST})
        return Measured(lasted, "s", 0.0, (run.run_id,), conditions=(run.condition(),), note=note, flags=least)
    return None


def _decide(item: Measured, claim: ClaimSheet, limits: Limits) -> Decision:
    """The decision; a lower bound can't fall short of a minimum, nor keep a maximum, and an upper one the reverse."""
    value = convert(item.value, item.unit, unit_of(claim.quantity))
    scale = value / item.value if item.value else 1.0
    u = None if item.uncertainty is None else item.uncertainty * abs(scale)
    found = decide(value, u, limits, item.dof)
    falls_short = limits.lower is not None and value < limits.lower
    exceeds = limits.upper is not None and value > limits.upper
    is_met = found.verdict == MET
    if Flag.NEAR_EDGE in item.flags and found.verdict == NOT_MET:
        why = "The load lies at the edge of the band: the meter's error decides."
        return Decision(TOO_CLOSE, None, found.margin, why)
    if item.flags & _LEAST and (falls_short or (is_met and limits.upper is not None)):
        return Decision(TOO_CLOSE, None, found.margin, "What was measured is only a lower bound: repeat the test.")
    if Flag.AT_MOST in item.flags and (exceeds or (is_met and limits.lower is not None)):
        return Decision(TOO_CLOSE, None, found.margin, "What was measured is only an upper bound: repeat the test.")
    return found


def _reason(decision: Decision, item: Measured, claim: ClaimSheet, limits: Limits) -> str:
    parts = []
    if decision.verdict == NOT_MET and limits.lower is not None and limits.upper is None and limits.lower:
        share = convert(item.value, item.unit, unit_of(claim.quantity)) / limits.lower
        parts.append(f"{100 * share:.1f} % of what is claimed.")
    elif decision.verdict == NOT_MET and limits.upper and limits.lower is None:
        share = convert(item.value, item.unit, unit_of(claim.quantity)) / limits.upper
        parts.append(f"{100 * share:.1f} % of the limit.")
    if item.count > 1 and item.spread is not None:
        unit = "" if item.unit == "1" else f" {item.unit}"
        parts.append(f"Mean of {item.count} tests, spread {float(f'{item.spread:.2g}'):g}{unit}.")
    if decision.reason:
        parts.append(decision.reason)
    if item.uncertainty is None or item.flags & _SAID:
        parts.append(_sentence(item.note))
    return " ".join(part for part in parts if part)


def _absent(claim: ClaimSheet, runs: Sequence[RunEvidence]) -> str:
    """Why runs that fit give no such result."""
    told = []
    for run in runs[:3]:
        result = run.results.get(claim.quantity)
        why = result.reason if result is not None and result.reason else "it has no such result"
        told.append(f"run {run.run_id} fits, but {why}")
    return _sentence("; ".join(told))


def _from_measured(
    sheet: DeviceSheet, position: int, claim: ClaimSheet, limits: Limits, found: Measured | str
) -> Verdict:
    """A verdict on a value that was put together, or not tested with the reason."""
    if isinstance(found, str):
        return verdict_of(sheet, position, claim, NOT_TESTED, found, limits=limits)
    decision = _decide(found, claim, limits)
    reason = " ".join(text for text in (_reason(decision, found, claim, limits), _sentence(found.note)) if text)
    return verdict_of(sheet, position, claim, decision.verdict, reason, item=found, decision=decision, limits=limits)


def _sentence(text: str) -> str:
    """With a capital at the front and a stop at the end."""
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text.endswith((".", "?")) else ".")
