"""Devices set side by side in a report, from a finished comparison. Knows pages; no catalogue."""

from __future__ import annotations

from store.devices.records import ComparisonPage, ComparisonRow, Figure
from store.judge.derived.sustained import SUSTAINED_POWER_W
from store.methods.specs import is_share, label_of
from store.publish.content import Cell, Column, Section, Table, number, words
from store.publish.shown import run_list, scale_of

__all__ = ["comparison_sections"]

RULE = (
    "A difference is named where it exceeds its own expanded uncertainty (U of the difference, k = 2; what one meter "
    "shares cancels) and what repeats scatter. Best and worst are marked only then; a shared rank means that nothing "
    "shown here sets those devices apart. Whether two error bars overlap is not the test. Differences between samples, "
    "of which one each was tested, can't be told from differences between models."
)


def comparison_sections(page: ComparisonPage) -> tuple[Section, ...]:
    """The table of all figures, findings in sentences, and every pair by one quantity."""
    names = tuple(sheet.device for sheet in page.devices)
    blocks = (words(*_findings(page), manner="list"), _table(page, names), words(RULE, manner="note"))
    sections = [Section("side-by-side", "Side by side", blocks)]
    if page.pairs:
        sections.append(Section("pairs", f"Every pair by {label_of(page.pairs_by)}", (_pairs(page),)))
    if page.models:
        sections.append(Section("models", "Several samples of one model", (_models(page),)))
    return tuple(sections)


def _findings(page: ComparisonPage) -> list[str]:
    told = []
    for row in page.rows:
        if row.unlike:
            told.append(f"{row.label}: not set against each other. {' '.join(row.unlike)}")
        elif row.finding:
            told.append(f"{row.label}: {row.finding}.")
    return told


def _scale(row: ComparisonRow) -> tuple[str, float]:
    if row.unit == "1" and is_share(row.name):
        return "%", 100.0
    unit, scale = scale_of(row.unit, (figure.value for figure in row.figures))
    return ("" if unit == "1" else unit), scale


def _table(page: ComparisonPage, names: tuple[str, ...]) -> Table:
    rows = []
    for row in page.rows:
        unit, scale = _scale(row)
        told = "; ".join(part for part in (_better(row), _condition(row)) if part)
        head = Cell(f"{row.label}{f' / {unit}' if unit else ''}", note=told)
        rows.append((head, *(_cell(row, index, figure, scale) for index, figure in enumerate(row.figures))))
    tally = tuple(
        Cell("; ".join(f"{count} {word}" for word, count in counts.items()) or "none on record")
        for _, counts in page.verdicts
    )
    rows.append((Cell("claims"), *tally))
    columns = (Column("quantity"), *(Column(name, is_number=True) for name in names))
    note = "± U, k = 2; without it the uncertainty is unknown."
    return Table("Figures side by side", columns, tuple(rows), note=note, is_wide=True)


def _condition(row: ComparisonRow) -> str:
    """The one condition under which all were tested; empty where the sheet answers, or the tests differ."""
    conditions = {figure.condition for figure in row.figures if figure.value is not None}
    return next(iter(conditions)).replace("; ", " or ") if len(conditions) == 1 else ""


def _better(row: ComparisonRow) -> str:
    return {"larger": "more is better", "smaller": "less is better"}.get(row.better, "")


def _cell(row: ComparisonRow, index: int, figure: Figure, scale: float) -> Cell:
    if figure.value is None:
        return Cell(figure.reason or "not measured")
    u = None if figure.uncertainty is None or row.name == SUSTAINED_POWER_W.name else figure.uncertainty * scale
    rank = row.ranks[index] if row.ranks else None
    runs = f"runs {run_list(figure.run_ids)}" if figure.run_ids else ""
    notes = [f"rank {rank.words()}" if rank is not None else "", runs]
    mark = "best" if index in row.best else "worst" if index in row.worst else ""
    return number(figure.value * scale, u, mark=mark, note="; ".join(note for note in notes if note))


def _chance(chance: float | None) -> str:
    if chance is None:
        return "unknown"
    if not 0.001 <= chance <= 0.999:
        return "under 0.1" if chance < 0.001 else "over 99.9"
    return f"{100 * chance:.1f}"


def _pairs(page: ComparisonPage) -> Table:
    row = next(row for row in page.rows if row.name == page.pairs_by)
    unit, scale = _scale(row)
    rows = tuple(
        (
            Cell(f"{pair.first} - {pair.second}", note=pair.condition),
            number(pair.difference * scale),
            Cell("unknown") if pair.expanded is None else number(pair.expanded * scale),
            Cell("" if pair.en is None else f"{pair.en:.2f}"),
            Cell(_chance(pair.chance_larger)),
            Cell("told apart" if pair.is_told_apart else "not told apart"),
        )
        for pair in page.pairs
    )
    columns = (
        Column("pair"),
        Column("difference", unit, is_number=True),
        Column("must exceed", unit, is_number=True),
        Column("En", is_number=True),
        Column("chance that the first is larger", "%", is_number=True),
        Column("finding"),
    )
    note = (
        "Each pair under a condition that both were tested under, one with known uncertainty first. "
        "En after ISO 13528: told apart where |En| > 1."
    )
    return Table(f"Pairs by {row.label}", columns, rows, note=note, is_wide=True)


def _models(page: ComparisonPage) -> Table:
    rows = tuple(
        (
            Cell(line.model, note=", ".join(line.devices)),
            Cell(line.label),
            number(line.mean, unit="" if line.unit == "1" else line.unit),
            number(line.spread),
            Cell(str(line.count)),
        )
        for line in page.models
    )
    heads = ("model", "quantity", "mean", "spread", "samples")
    columns = tuple(Column(head, is_number=head in ("mean", "spread")) for head in heads)
    return Table("Means over samples of one model", columns, rows)
