"""Every printed figure of a page with one statement that gets it again. Knows finished pages and SQL text.

The statements stand on views of the names and columns of `joulebook sql`, so they run in the library as well as over
the files beside a page.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from store.devices.records import ComparisonPage, DevicePage, Figure
from store.documents.figures import amount, verdict_amount
from store.judge.derived.charges import CHARGES, INTO_BATTERY, battery_wh
from store.judge.derived.on_sheet import SHEET_FIELDS
from store.judge.evidence import BenchEvidence
from store.judge.headline import RUNTIME_H
from store.methods.discharge import ENERGY_OUT_WH
from store.methods.specs import label_of
from store.model.document import Amount
from store.publish.figures_sql import figure_sql, quoted

__all__ = ["PrintedFigure", "compared_figures", "printed_figures"]


@dataclass(frozen=True, slots=True)
class PrintedFigure:
    """A figure as it stands on the page, and the statement that gives its value."""

    name: str
    """`PB-03: delivered energy, C1, fixed 20 V, 30 W, 22 °C`."""
    amount: Amount
    sql: str
    run_ids: tuple[int, ...] = ()
    """The runs behind it."""

    def statement(self) -> str:
        """One statement: the printed figure beside the value that it gives."""
        u = "NULL" if self.amount.uncertainty is None else f"{self.amount.uncertainty!r}::DOUBLE"
        return (
            f"SELECT {quoted(self.name)} AS figure, {quoted(self.amount.text())} AS printed, value AS again,\n"
            f"  {u} AS uncertainty, {quoted(self.amount.unit)} AS unit, {quoted(self.amount.shown.value)} AS shown,\n"
            f"  {self.amount.coverage!r}::DOUBLE AS k\n"
            f"FROM (\n{self.sql}\n)"
        )


def printed_figures(page: DevicePage, evidence: BenchEvidence) -> Iterator[PrintedFigure]:
    """Headline figures, results by test, limits and what claims were held against, each once."""
    device = page.sheet.device
    seen: set[str] = set()
    for figure, place in _figures(page):
        found = _printed(device, figure, place, evidence)
        if found is not None and found.name not in seen:
            seen.add(found.name)
            yield found


def _figures(page: DevicePage) -> Iterator[tuple[Figure, str]]:
    yield from ((figure, figure.condition) for figure in page.figures)
    for table in page.tables:
        for row in table.rows:
            ambient = "" if row.ambient_c is None else f"{row.ambient_c:.0f} °C"
            beside = "beside another port" if row.is_shared else ""
            parts = (table.kind, row.port, row.mode, row.load, ambient, beside)
            place = ", ".join(part for part in parts if part)
            yield from ((figure, place) for figure in row.figures)
    yield from ((line.figure, f"{line.standard}, {line.mode}") for line in page.limits)
    for line in page.runtimes:
        yield line.figure, f"{line.load_w:g} W, {line.condition}"
    for verdict in page.verdicts:
        claim = page.sheet.claims[verdict.position - 1]
        found = verdict_amount(verdict, claim.quantity)
        if found is not None:
            label = label_of(claim.quantity)
            figure = Figure(
                claim.quantity,
                label,
                found.value,
                found.unit,
                found.uncertainty,
                run_ids=verdict.run_ids,
                note=claim.unit if claim.quantity == CHARGES.name else "",
                dof=verdict.dof,
            )
            yield figure, f"claim {verdict.position}"


def _printed(device: str, figure: Figure, place: str, evidence: BenchEvidence) -> PrintedFigure | None:
    if figure.value is None or not (figure.run_ids or figure.name in SHEET_FIELDS or "rated" in figure.name):
        return None
    name = f"{device}: {', '.join(part for part in (figure.label, place) if part)}"
    runs = f" (runs {', '.join(map(str, figure.run_ids))})" if figure.run_ids else ""
    found = amount(figure.name, figure.value, figure.unit, figure.uncertainty, figure.dof)
    sql = figure_sql(device, figure, evidence)
    if figure.name == CHARGES.name:
        energy = figure_sql(device, replace(figure, name=ENERGY_OUT_WH.name), evidence)
        sql = f"SELECT value * {INTO_BATTERY!r} / {battery_wh(figure.note)!r} AS value FROM (\n{energy}\n)"
    if figure.name == RUNTIME_H:
        sql = _runtime_sql(device, figure, float(place.partition(" W")[0]), evidence)
    return PrintedFigure(name + runs, found, sql, figure.run_ids)


def _runtime_sql(device: str, figure: Figure, load_w: float, evidence: BenchEvidence) -> str:
    """The delivered energy of the runs over the load: what holds at a load that was tested."""
    energy = figure_sql(device, replace(figure, name=ENERGY_OUT_WH.name), evidence)
    return f"SELECT value / {load_w!r}::DOUBLE AS value FROM (\n{energy}\n)"


def compared_figures(page: ComparisonPage, evidence: BenchEvidence) -> Iterator[PrintedFigure]:
    """The figures of a comparison, each device at its condition."""
    for row in page.rows:
        for sheet, figure in zip(page.devices, row.figures, strict=True):
            found = _printed(sheet.device, figure, figure.condition, evidence)
            if found is not None:
                yield found
