"""An adapter held against the limits of its trade, edition by edition. Knows evidence; knows no SQL and no screen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from store.devices.records import Figure, LimitLine
from store.judge.figures import figure_of
from store.judge.matching import groups_of_one_condition
from store.judge.measured import Measured, RunEvidence, measured
from store.judge.pooling import pool
from store.methods.adapter import LOW_END
from store.methods.specs import label_of
from store.model.sheet import DeviceSheet
from store.uncertainty.decision import Limits, decide
from store.usb.efficiency_limits import EfficiencyStandard, limit_of, standards, supply_class
from store.usb.offers import offered_current_a, read_mode

__all__ = ["limit_lines", "limit_notes"]

NAMES = {"average": "efficiency_average", "10 %": "efficiency_10_percent", "no load": "no_load_w"}


def limit_lines(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> Iterable[LimitLine]:
    """Averages, 10 % points and no-load power against every edition of the table."""
    if sheet.kind != "adapter" or not sheet.output_w:
        return
    day = sheet.made_on or date.today()
    for standard in standards():
        for measure, name in NAMES.items():
            for group in groups_of_one_condition([run for run in runs if name in run.results]):
                line = _line(sheet, standard, measure, group, day)
                if line is not None:
                    yield line


def _line(
    sheet: DeviceSheet, standard: EfficiencyStandard, measure: str, group: Sequence[RunEvidence], day: date
) -> LimitLine | None:
    mode = group[0].mode or ""
    found = read_mode(mode)
    port = sheet.port(group[0].port or "")
    amps = offered_current_a(port.offers, mode) if port is not None else None
    name = NAMES[measure]
    volts = found.highest_v if found is not None else 0.0
    full_a = standard.low_end_full_a
    is_low_end = measure != "no load" and any(LOW_END in run.results for run in group)
    if is_low_end and full_a is not None:
        name, amps = (LOW_END if measure == "average" else "", full_a)
    kind = supply_class(volts, amps or 0.0) if found is not None else "basic"
    watts = volts * amps if found is not None and amps else sheet.output_w or 0.0
    limit = limit_of(standard, measure, kind, (sheet.output_w or 0.0) if measure == "no load" else watts)
    if limit is None or not name:
        return None
    item = _pooled(group, name)
    if item is None and name != LOW_END:
        return None
    bound = Limits(upper=limit) if measure == "no load" else Limits(lower=limit)
    reason = missing(full_a)
    figure = figure_of(name, item) if item is not None else Figure(name, label_of(name), None, "1", reason=reason)
    verdict = decide(item.value, item.uncertainty, bound, item.dof).verdict if item is not None else "not tested"
    return LimitLine(
        standard.name, standard.edition, measure, mode, limit, figure, verdict, standard.mark, standard.holds_on(day)
    )


def missing(full_a: float | None) -> str:
    """Which run an average at the lowest voltage needs."""
    levels = ", ".join(f"{share * (full_a or 0.0):g}" for share in (0.25, 0.5, 0.75, 1.0))
    return f"Missing: an efficiency run at the lowest voltage with levels of {levels} A."


def limit_notes(lines: Sequence[LimitLine]) -> Iterable[str]:
    """What a reader must know of the rules: what counts as full load at the lowest voltage, and how sure that is."""
    for standard in standards():
        mine = [line for line in lines if line.standard == standard.name and line.figure.name == LOW_END]
        if mine and standard.low_end_full_a is not None:
            told = f" {missing(standard.low_end_full_a)}" if mine[0].figure.value is None else ""
            yield (
                f"{standard.name}: at the lowest voltage of an adapter with several, full load counts as "
                f"{standard.low_end_full_a:g} A ({standard.low_end_mark}).{told}"
            )


def _pooled(group: Sequence[RunEvidence], name: str) -> Measured | None:
    found = [item for item in (measured(run, name) for run in group if run.quality == "ok") if item is not None]
    return pool(found) if found else None
