"""Devices side by side: like with like, best and worst only where uncertainty allows. Assembles evidence.

Knows sheets and evidence; the arithmetic is in `store.judge.differences`. Knows no SQL and no screen.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from store.devices.page import sheet_of
from store.devices.records import ComparisonPage, ComparisonRow, Figure, ModelLine, PairLine
from store.errors import NotFound, StoreError
from store.judge.claims import judge_claims
from store.judge.comparison_cells import Cells, ComparedCell, cells_of
from store.judge.differences import RankSet, difference, leaders, rank_sets
from store.judge.evidence import BenchEvidence, read_evidence
from store.judge.figures import figure_of
from store.judge.measured import Measured
from store.judge.peers import peers_of, same_model
from store.methods.specs import canonical, compared, label_of, spec_of
from store.model.sheet import DeviceSheet
from store.model.spec import Better
from store.uncertainty.decision import VERDICTS
from store.words.numbers import figure_text
from store.words.quantities import unit_of

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["compare_devices", "row_of"]


class ComparisonRefused(StoreError):  # noqa: N818 - named for what happened, as all of this family
    """Devices that can't be compared."""


def compare_devices(library: Store, names: Sequence[str], *, by: str | None = None) -> ComparisonPage:
    """Set devices side by side.

    Args:
        library: The library.
        names: Inventory codes; a single one is joined by its peers.
        by: A quantity that orders the devices and that pairs are made by; the first that can be compared where None.

    Raises:
        NotFound: no such device, or no such quantity among their results.
        ComparisonRefused: nothing to compare.
    """
    asked, by = list(dict.fromkeys(names)), None if by is None else canonical(by)
    evidence = read_evidence(library, asked)
    sheets = [sheet_of(evidence, name) for name in asked]
    added: tuple[str, ...] = ()
    if len(sheets) == 1:
        added = peers_of(sheets[0], evidence.sheets.values())
        evidence = read_evidence(library, [*asked, *added])
        sheets += [evidence.sheets[name] for name in added]
    if len(sheets) < 2:
        raise ComparisonRefused(
            f"{names[0] if names else 'Nothing'} has no peer in this library (same kind, rating within 30 %). "
            "Name two devices or more."
        )
    wanted = _wanted(sheets, by, evidence)
    rows = [row_of(name, sheets, evidence) for name in wanted]
    if by is not None:
        order = _order(rows[0])
        sheets = [sheets[index] for index in order]
        rows = [row_of(name, sheets, evidence) for name in wanted]
    chosen = next((row for row in rows if row.name == by), None) or next((r for r in rows if _is_comparable(r)), None)
    return ComparisonPage(
        devices=tuple(sheets),
        by=by or "",
        rows=tuple(rows),
        pairs=tuple(_pairs(chosen, sheets, evidence)) if chosen is not None else (),
        pairs_by=chosen.name if chosen is not None else "",
        models=tuple(_models(rows, sheets)),
        verdicts=tuple((sheet.device, _tally(sheet, evidence)) for sheet in sheets),
        peers_added=added,
        notes=tuple(_notes(sheets, evidence)),
    )


def _wanted(sheets: Sequence[DeviceSheet], by: str | None, evidence: BenchEvidence) -> list[str]:
    kinds = list(dict.fromkeys(sheet.kind for sheet in sheets))
    wanted = [name for name in compared(kinds[0]) if all(name in compared(kind) for kind in kinds)]
    if by is None:
        return wanted or ["mass_g"]
    known = sorted({name for sheet in sheets for run in evidence.of(sheet.device) for name in run.results})
    if by not in known and spec_of(by) is None:
        raise NotFound.of("result", by, [*compared(kinds[0]), *known])
    return [by, *[name for name in wanted if name != by]]


def row_of(name: str, sheets: Sequence[DeviceSheet], evidence: BenchEvidence) -> ComparisonRow:
    """One quantity over devices, with who is best and worst where that shows."""
    found = cells_of(name, sheets, evidence)
    cells, differs = found.cells, found.unlike
    figures = tuple(_figure(name, cell) for cell in cells)
    better = _better(name)
    unit = next((cell.item.unit for cell in cells if cell.item is not None), unit_of(name))
    told = _units_differ(cells) or differs
    known = [index for index, cell in enumerate(cells) if cell.item is not None]
    row = ComparisonRow(name, label_of(name), unit, better, figures, unlike=told, repeats=_repeats(found, unit))
    if told or len(known) < 2:
        return row
    values = [item for cell in cells if (item := cell.item) is not None]
    ranks: list[RankSet | None] = [None] * len(cells)
    is_larger = better != Better.SMALLER
    for index, rank in zip(known, rank_sets(values, larger_is_better=is_larger), strict=True):
        ranks[index] = rank
    if not better:
        return row
    best = leaders(values, larger_is_better=is_larger)
    worst = leaders(values, larger_is_better=not is_larger)
    is_shown = len(best) < len(values)
    names = [sheets[index].device for index in known]
    return replace(
        row,
        best=tuple(known[i] for i in best) if is_shown else (),
        worst=tuple(known[i] for i in worst) if is_shown and not set(worst) & set(best) else (),
        ranks=tuple(ranks),
        finding=_finding([names[i] for i in best], names, better, values),
    )


def _repeats(found: Cells, unit: str) -> str:
    """What is known of how repeats scatter, where that decides what is called a difference."""
    if not found.is_tested:
        return ""
    if found.scatter is None:
        return "One test each: the scatter of repeats is not in the ±."
    once = any(cell.item is not None and cell.item.count == 1 for cell in found.cells)
    if not once:
        return ""
    size = figure_text(found.scatter.sd, None, unit)
    degrees = found.scatter.degrees
    many = f"{degrees} degree{'s' if degrees > 1 else ''} of freedom"
    return f"Devices tested once take the repeatability of the others: s = {size}, {many}."


def _finding(best: Sequence[str], names: Sequence[str], better: str, values: Sequence[Measured]) -> str:
    if len(best) == len(names):
        unknown = any(value.uncertainty is None for value in values)
        return "no difference shown" + (": an uncertainty is unknown" if unknown else "")
    word = "most" if better == Better.LARGER else "least"
    if len(best) == 1:
        return f"{best[0]} {word}"
    return f"{word}: {', '.join(best)}; no significant difference"


def _better(name: str) -> str:
    """Which way is better; empty for a quantity that is set side by side without a best."""
    spec = spec_of(name)
    return spec.better or "" if spec is not None else ""


def _units_differ(cells: Sequence[ComparedCell]) -> tuple[str, ...]:
    units = sorted({cell.item.unit for cell in cells if cell.item is not None})
    return (f"Different units: {', '.join(units)}.",) if len(units) > 1 else ()


def _figure(name: str, cell: ComparedCell) -> Figure:
    if cell.item is None:
        return Figure(name, label_of(name), None, unit_of(name), reason=cell.reason or "not measured")
    return figure_of(name, cell.item)


def _is_comparable(row: ComparisonRow) -> bool:
    return not row.unlike and sum(figure.value is not None for figure in row.figures) > 1


def _order(row: ComparisonRow) -> list[int]:
    """Best first; devices without a figure last."""
    sign = -1.0 if row.better != Better.SMALLER else 1.0
    return sorted(
        range(len(row.figures)),
        key=lambda index: (row.figures[index].value is None, sign * (row.figures[index].value or 0.0)),
    )


def _pairs(row: ComparisonRow, sheets: Sequence[DeviceSheet], evidence: BenchEvidence) -> Iterable[PairLine]:
    """Every pair of devices by one quantity, each under the best condition that the two of them share."""
    for index, first in enumerate(sheets):
        for second in sheets[index + 1 :]:
            found = cells_of(row.name, (first, second), evidence)
            items = [cell.item for cell in found.cells]
            if found.unlike or items[0] is None or items[1] is None or items[0].unit != items[1].unit:
                continue
            apart = difference(items[0], items[1], len(sheets))
            yield PairLine(
                first.device,
                second.device,
                apart.value,
                apart.expanded,
                apart.en,
                apart.chance_larger,
                apart.is_told_apart,
                " or ".join(dict.fromkeys(text for item in items if item is not None for text in item.conditions)),
            )


def _models(rows: Sequence[ComparisonRow], sheets: Sequence[DeviceSheet]) -> Iterable[ModelLine]:
    """Mean, spread and count over the samples of one model that stand in the comparison."""
    seen: set[str] = set()
    for sheet in sheets:
        names = {sheet.device, *same_model(sheet, sheets)}
        if len(names) < 2 or sheet.device in seen:
            continue
        seen |= names
        members = [index for index, other in enumerate(sheets) if other.device in names]
        for row in rows:
            values = [value for index in members if (value := row.figures[index].value) is not None]
            if row.unlike or len(values) < 2 or row.name == "rated_energy_wh":
                continue
            mean = sum(values) / len(values)
            spread = (sum((value - mean) ** 2 for value in values) / (len(values) - 1)) ** 0.5
            devices = tuple(sheets[index].device for index in members)
            yield ModelLine(sheet.model, devices, row.name, row.label, mean, row.unit, spread, len(values))


def _tally(sheet: DeviceSheet, evidence: BenchEvidence) -> dict[str, int]:
    found = Counter(verdict.verdict for verdict in judge_claims(sheet, evidence.of(sheet.device)))
    return {word: found[word] for word in VERDICTS if found[word]}


def _notes(sheets: Sequence[DeviceSheet], evidence: BenchEvidence) -> Iterable[str]:
    single = [s.device for s in sheets if not same_model(s, evidence.sheets.values())]
    if single:
        yield f"Of this sample: one unit each of {', '.join(single)} was tested; another of the model may differ."
    if len({sheet.kind for sheet in sheets}) > 1:
        yield "These are devices of different kinds: only quantities common to all are compared."
    yield (
        "A difference is named where it exceeds its own uncertainty, scatter of repeats included, by the factor for "
        "the largest of so many differences: among equal devices, one is called best or worst in at most 5 % of "
        "comparisons of a quantity. Errors shared by one meter cancel in part."
    )
