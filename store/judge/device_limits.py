"""An adapter held against the limits of its trade, edition by edition. Knows evidence; knows no SQL and no screen.

A limit is given only where class and test current follow from the sheet; where they don't, `limit_notes` names the fact
that is missing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from store.devices.records import Figure, LimitLine
from store.judge.figures import figure_of
from store.judge.matching import groups_of_one_condition
from store.judge.measured import Measured, RunEvidence, measured
from store.judge.pooling import pool
from store.methods.adapter import LOW_END
from store.methods.specs import label_of
from store.model.sheet import DeviceSheet, PortSheet
from store.uncertainty.decision import NOT_TESTED, Limits, decide
from store.usb.efficiency_limits import EfficiencyStandard, limit_of, standards, supply_class
from store.usb.offers import is_adaptive, offered_current_a, offered_voltages, read_mode

__all__ = ["limit_lines", "limit_notes"]

AVERAGE, TENTH, NO_LOAD = "average", "10 %", "no load"
NAMES = {AVERAGE: "efficiency_average", TENTH: "efficiency_10_percent", NO_LOAD: "no_load_w"}

Group = tuple[RunEvidence, ...]


@dataclass(frozen=True, slots=True)
class _Way:
    """How a rule has a measure taken: which result, of which class, at which power."""

    name: str
    """The result; empty where the rule has none for this output."""
    kind: str
    watts: float


def limit_lines(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> Iterable[LimitLine]:
    """Averages, 10 % points and no-load power against every edition of the table."""
    for standard, measure, group, way in _ways(sheet, runs):
        if isinstance(way, _Way) and way.name:
            line = _line(sheet, standard, measure, group, way)
            if line is not None:
                yield line


def limit_notes(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> Iterable[str]:
    """Which fact is missing for a verdict, and what counts as full load at the lowest voltage."""
    if sheet.kind == "adapter" and not sheet.output_w and any(set(NAMES.values()) & set(run.results) for run in runs):
        yield "No verdict on efficiency: its rated output is not on the sheet. Enter it as [rated] output_w."
    told: dict[str, list[str]] = {}
    low_ends = set()
    for standard, _, group, way in _ways(sheet, runs):
        if isinstance(way, str):
            names = told.setdefault(way, [])
            names += [standard.name] if standard.name not in names else []
        elif way.name == LOW_END:
            low_ends.add((standard.name, _pooled(group, LOW_END) is None))
    for standard in standards():
        for name, is_missing in sorted(low_ends):
            if name == standard.name and standard.low_end_full_a is not None:
                lacking = f" {missing(standard.low_end_full_a)}" if is_missing else ""
                yield (
                    f"{standard.name}: at the lowest voltage of an adapter with several, full load counts as "
                    f"{standard.low_end_full_a:g} A ({standard.low_end_mark}).{lacking}"
                )
    for reason, names in told.items():
        yield f"{', '.join(names)}: no verdict. {reason}"


def missing(full_a: float | None) -> str:
    """Which run an average at the lowest voltage needs."""
    levels = ", ".join(f"{share * (full_a or 0.0):g}" for share in (0.25, 0.5, 0.75, 1.0))
    return f"Missing: an efficiency run at the lowest voltage with levels of {levels} A."


def _ways(
    sheet: DeviceSheet, runs: Sequence[RunEvidence]
) -> Iterable[tuple[EfficiencyStandard, str, Group, _Way | str]]:
    """Every edition, measure and condition that was tested, with how it is held against, or what is missing for it."""
    if sheet.kind != "adapter" or not sheet.output_w:
        return
    for standard in standards():
        for measure, name in NAMES.items():
            for group in groups_of_one_condition([run for run in runs if name in run.results]):
                yield standard, measure, group, _way(sheet, standard, measure, group[0])


def _way(sheet: DeviceSheet, standard: EfficiencyStandard, measure: str, run: RunEvidence) -> _Way | str:
    outputs = [port for port in sheet.ports if port.direction in ("out", "both")]
    total = sheet.output_w or 0.0
    if not outputs:
        return "Its outputs are not on the sheet. Enter each as a [[port]] with what it offers."
    if len(outputs) > 1:
        if measure == NO_LOAD:
            return _Way(NAMES[measure], "multiple-voltage", total)
        return (
            f"It has {len(outputs)} outputs, which its class has loaded at the same time; efficiency was measured at "
            "one of them."
        )
    (port,) = outputs
    if measure == NO_LOAD:
        volts = max(offered_voltages(port.offers), default=None)
        if volts is None:
            return f"What {port.name} offers is not on the sheet: it decides the class."
        return _Way(NAMES[measure], supply_class(volts, total / volts), total)
    return _way_at_port(standard, measure, run, port)


def _way_at_port(standard: EfficiencyStandard, measure: str, run: RunEvidence, port: PortSheet) -> _Way | str:
    """At the one voltage and its rated current; of several at the highest, and at the lowest as the method says."""
    mode = read_mode(run.mode or "")
    amps = offered_current_a(port.offers, run.mode)
    if mode is None or amps is None:
        return (
            f"What {port.name} offers in {run.mode or 'the mode tested'} is not on the sheet: it sets the test current."
        )
    volts = mode.highest_v
    if not is_adaptive(port.offers):
        return _Way(NAMES[measure], supply_class(volts, amps), volts * amps)
    if standard.low_end_full_a is None:
        return "Its method names no test output for an adapter with several voltages."
    voltages = offered_voltages(port.offers)
    if volts >= max(voltages) - 0.01:
        return _Way(NAMES[measure], supply_class(volts, amps), volts * amps)
    if volts > min(voltages) + 0.01:
        return _Way("", "", 0.0)
    if amps <= standard.low_end_full_a:
        return _Way(NAMES[measure], supply_class(volts, amps), volts * amps)
    name = LOW_END if measure == AVERAGE else ""
    return _Way(name, supply_class(volts, standard.low_end_full_a), volts * standard.low_end_full_a)


def _line(sheet: DeviceSheet, standard: EfficiencyStandard, measure: str, group: Group, way: _Way) -> LimitLine | None:
    limit = limit_of(standard, measure, way.kind, way.watts)
    if limit is None:
        return None
    item = _pooled(group, way.name)
    if item is None and way.name != LOW_END:
        return None
    bound = Limits(upper=limit) if measure == NO_LOAD else Limits(lower=limit)
    reason = missing(standard.low_end_full_a)
    figure = (
        figure_of(way.name, item)
        if item is not None
        else Figure(way.name, label_of(way.name), None, "1", reason=reason)
    )
    verdict = decide(item.value, item.uncertainty, bound, item.dof).verdict if item is not None else NOT_TESTED
    holds = standard.holds_on(sheet.made_on or date.today())
    mode = group[0].mode or ""
    return LimitLine(standard.name, standard.edition, measure, mode, limit, figure, verdict, standard.mark, holds)


def _pooled(group: Group, name: str) -> Measured | None:
    found = [item for item in (measured(run, name) for run in group if run.quality == "ok") if item is not None]
    return pool(found) if found else None
