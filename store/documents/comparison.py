"""Devices beside one another as a document: bars, what may be said of them, pairs, claims. Knows finished pages."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from store.devices.records import ComparisonPage, ComparisonRow, ModelLine, PairLine
from store.documents.figures import amount, figure_cell, shown_of
from store.methods.specs import label_of
from store.model.document import (
    Amount,
    Bar,
    Bars,
    Block,
    Cell,
    Document,
    FactList,
    Heading,
    Role,
    Table,
    TableColumn,
    words,
)
from store.model.spec import Shown

__all__ = [
    "chance_words",
    "claims_bars",
    "comparison_bars",
    "comparison_document",
    "models_table",
    "pairs_table",
    "repeats_facts",
]

MARKS_NOTE = (
    "▲ best, ▼ worst, with all that do not differ significantly from them. ± is twice the standard uncertainty, "
    "more where degrees of freedom are few; without it the uncertainty is unknown."
)


def comparison_document(page: ComparisonPage) -> Document:
    """Figures side by side, what may be said of them, ranks, pairs, models and notes."""
    names = [sheet.device for sheet in page.devices]
    order = f", ordered by {page.by}" if page.by else ""
    added = f"; peers added: {', '.join(page.peers_added)}" if page.peers_added else ""
    blocks: list[Block] = [*comparison_bars(page), *claims_bars(page), *words(MARKS_NOTE)]
    parts: list[tuple[str, Iterable[Block]]] = [
        ("findings", [FactList(tuple(_findings(page)))]),
        ("repeatability", [FactList(tuple(repeats_facts(page)))]),
        ("tested at", [FactList(tuple(_conditions(page)))]),
        ("ranks", [FactList(tuple(_ranks(page, names)))]),
        (f"pairs by {label_of(page.pairs_by)}", [pairs_table(page)]),
        ("claims", [FactList(tuple(_claims(page)))]),
        ("samples of one model", [models_table(page.models)]),
        ("notes", words(*page.notes)),
    ]
    for title, made in parts:
        kept = [block for block in made if _has_content(block)]
        if kept:
            blocks += [Heading(title, id=title.split(" by ")[0].replace(" ", "-")), *kept]
    return Document(f"{' against '.join(names)}{order}{added}", tuple(blocks))


def _has_content(block: Block) -> bool:
    match block:
        case FactList():
            return bool(block.pairs)
        case Table():
            return bool(block.rows)
        case _:
            return True


def comparison_bars(page: ComparisonPage) -> Iterator[Bars]:
    """One set of bars a quantity, on one scale; quantities that no device has are left out."""
    for row in page.rows:
        if any(figure.value is not None for figure in row.figures):
            yield _bars(page, row)


def _bars(page: ComparisonPage, row: ComparisonRow) -> Bars:
    bars = []
    for index, (sheet, figure) in enumerate(zip(page.devices, row.figures, strict=True)):
        role = Role.BEST if index in row.best else Role.WORST if index in row.worst else Role.PLAIN
        again = f"mean of {figure.count}" if figure.count > 1 else ""
        note = figure.reason if figure.value is None else again
        bars.append(Bar(sheet.device, figure_cell(figure, role=role, note=note)))
    return Bars(
        tuple(bars),
        caption=row.label,
        has_one_scale=True,
        is_comparable=not row.unlike,
        note=" ".join(row.unlike) or _condition(row),
    )


def _condition(row: ComparisonRow) -> str:
    """The one condition under which all were tested; empty where the sheet answers, or the tests differ."""
    conditions = {figure.condition for figure in row.figures if figure.value is not None}
    return next(iter(conditions)).replace("; ", " or ") if len(conditions) == 1 else ""


def claims_bars(page: ComparisonPage) -> Iterator[Bars]:
    """How many claims of each device are met."""
    if any(tally for _, tally in page.verdicts):
        bars = []
        for device, tally in page.verdicts:
            total = sum(tally.values())
            cell = Cell(f"of {total}", Amount(tally.get("met", 0), "1", 0.0, Shown.COUNT)) if total else Cell("-")
            bars.append(Bar(device, cell, upper=None))
        yield Bars(tuple(bars), caption="claims met", has_one_scale=True)


def _findings(page: ComparisonPage) -> Iterator[tuple[str, Cell]]:
    told: dict[str, list[str]] = {}
    for row in page.rows:
        said = f"not compared. {' '.join(row.unlike)}" if row.unlike else row.finding
        if said and any(figure.value is not None for figure in row.figures):
            told.setdefault(said, []).append(row.label)
    return iter([(", ".join(labels), Cell(text)) for text, labels in told.items()])


def repeats_facts(page: ComparisonPage) -> Iterator[tuple[str, Cell]]:
    """By what is known of repeats: the quantities that it holds for."""
    told: dict[str, list[str]] = {}
    for row in page.rows:
        if row.repeats and not row.unlike:
            told.setdefault(row.repeats, []).append(row.label)
    return iter([(", ".join(labels), Cell(text)) for text, labels in told.items()])


def _conditions(page: ComparisonPage) -> Iterator[tuple[str, Cell]]:
    told: dict[str, list[str]] = {}
    for row in page.rows:
        conditions = [figure.condition for figure in row.figures if figure.condition]
        if not conditions:
            continue
        if row.unlike:
            each = [
                f"{sheet.device} {figure.condition}"
                for sheet, figure in zip(page.devices, row.figures, strict=True)
                if figure.condition
            ]
            text = f"{'; '.join(each)} (different conditions: nothing is marked)"
        else:
            text = conditions[0]
        told.setdefault(text, []).append(row.label)
    return iter([(text, Cell(", ".join(labels))) for text, labels in told.items()])


def _ranks(page: ComparisonPage, names: list[str]) -> Iterator[tuple[str, Cell]]:
    for row in page.rows:
        ranks = [f"{name} {rank.words()}" for name, rank in zip(names, row.ranks, strict=False) if rank is not None]
        if ranks and row.better:
            yield row.label, Cell(f"{', '.join(ranks)} ({row.better} is better)")


def pairs_table(page: ComparisonPage) -> Table:
    """Every pair by one quantity: the difference, the smallest significant one, and whether it is larger."""
    row = next((row for row in page.rows if row.name == page.pairs_by), None)
    unit = row.unit if row is not None else "1"
    columns = (
        TableColumn("pair"),
        TableColumn("difference", is_number=True),
        TableColumn("smallest significant difference", is_number=True),
        TableColumn("En", is_number=True),
        TableColumn("first is larger, chance"),
        TableColumn("conclusion"),
        TableColumn("tested at", wraps=True),
    )
    rows = tuple(_pair_row(pair, page.pairs_by, unit) for pair in page.pairs)
    return Table(columns, rows, titles=1)


def _pair_row(pair: PairLine, name: str, unit: str) -> tuple[Cell, ...]:
    shown = shown_of(name, unit)
    larger = pair.first if pair.difference > 0 else pair.second
    return (
        Cell(f"{pair.first} - {pair.second}"),
        Cell(quantity=Amount(pair.difference, unit, None, shown)),
        Cell("not known") if pair.expanded is None else Cell(quantity=Amount(pair.expanded, unit, None, shown)),
        Cell("" if pair.en is None else f"{pair.en:.2f}"),
        Cell("" if pair.chance_larger is None else chance_words(pair.chance_larger)),
        Cell(f"{larger} larger" if pair.is_told_apart else "no significant difference"),
        Cell(pair.condition),
    )


def chance_words(value: float) -> str:
    """A probability as people read it: never 0 or 100 %."""
    return "under 1 %" if value < 0.01 else "over 99 %" if value > 0.99 else f"{100 * value:.0f} %"


def _claims(page: ComparisonPage) -> Iterator[tuple[str, Cell]]:
    for device, tally in page.verdicts:
        yield device, Cell(", ".join(f"{n} {word}" for word, n in tally.items()) or "none on its sheet")


def models_table(models: Iterable[ModelLine]) -> Table:
    """Means over samples of one model."""
    rows = tuple(
        (
            Cell(line.model, note=", ".join(line.devices)),
            Cell(line.label),
            Cell(quantity=amount(line.name, line.mean, line.unit)),
            Cell(quantity=amount(line.name, line.spread, line.unit)),
            Cell(str(line.count)),
        )
        for line in models
    )
    heads = ("model", "quantity", "mean", "spread", "samples")
    return Table(tuple(TableColumn(head, wraps=head == "model") for head in heads), rows, titles=2)
