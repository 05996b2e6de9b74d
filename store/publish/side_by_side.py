"""Devices side by side in a report, from a finished comparison. Knows pages; no catalogue."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from store.devices.records import ComparisonPage, ComparisonRow
from store.documents.comparison import (
    MARKS_NOTE,
    claims_bars,
    comparison_bars,
    models_table,
    pairs_table,
    repeats_facts,
)
from store.documents.figures import figure_cell
from store.methods.specs import label_of
from store.model.document import Block, Cell, FactList, Manner, Plot, Table, TableColumn, words
from store.publish.content import Section

__all__ = ["comparison_sections"]

RULE = (
    "A difference is named where it exceeds its own expanded uncertainty, with what repeats scatter in it and what one "
    "meter shares taken out, at the factor for so many devices (studentized range): of equal devices some is called "
    "best or worst in at most 5 % of comparisons of a quantity. Best and worst are marked only then; a shared rank "
    "means that nothing shown here sets those devices apart. Whether two error bars overlap is not the test. One unit "
    "of each model was tested, so unit-to-unit spread cannot be separated from differences between models."
)

MOST_SENTENCES = 3


def comparison_sections(page: ComparisonPage, plots: Sequence[Plot], reports: Mapping[str, str]) -> tuple[Section, ...]:
    """First the bars of all quantities with what decides, then its inputs.

    Args:
        page: The comparison.
        plots: What is drawn of it.
        reports: Each device's own report, by its id.
    """
    blocks: list[Block] = [
        *words(" ".join(_sentences(page)), manner=Manner.LEAD),
        _devices(page, reports),
        *comparison_bars(page),
        *claims_bars(page),
        *words(MARKS_NOTE, manner=Manner.NOTE),
    ]
    absent = list(_absent(page))
    if absent:
        blocks.append(FactList(tuple(absent), "Not ranked, because a test is missing"))
    sections = [Section("side-by-side", "Comparison", tuple(blocks))]
    rest: list[Block] = [*plots, *words(*_unlike(page), manner=Manner.ITEM), *words(RULE, manner=Manner.NOTE)]
    known = tuple(repeats_facts(page))
    rest += [FactList(known, "Repeatability")] if known else []
    sections.append(Section("findings", "How the differences were judged", tuple(rest)))
    if page.pairs:
        note = (
            "Each pair under a condition that both were tested under. En after ISO 13528: a significant difference "
            "where |En| > 1."
        )
        table = replace(pairs_table(page), caption=f"Pairs by {label_of(page.pairs_by)}", note=note)
        sections.append(Section("pairs", f"Every pair by {label_of(page.pairs_by)}", (table,)))
    if page.models:
        table = replace(models_table(page.models), caption="Means over samples of one model")
        sections.append(Section("models", "Several samples of one model", (table,)))
    return tuple(sections)


def _devices(page: ComparisonPage, reports: Mapping[str, str]) -> Table:
    """Who is compared: code, name, price, and the number of the page of its own."""
    rows = []
    for sheet in page.devices:
        name = " ".join(part for part in (sheet.maker, sheet.model) if part) or sheet.kind
        price = "" if sheet.price is None else f"{sheet.price:.2f} {sheet.currency}".strip()
        rows.append((Cell(sheet.device), Cell(name), Cell(price), Cell(f"report {reports[sheet.device]}")))
    heads = ("device", "model", "price", "page of its own")
    return Table(tuple(TableColumn(head, wraps=head == "model") for head in heads), tuple(rows), "Devices compared")


def _sentences(page: ComparisonPage) -> Iterator[str]:
    """What decides between them: the first quantities in which one is surely best, then who fails."""
    names = [sheet.device for sheet in page.devices]
    told = 0
    for row in page.rows:
        if len(row.best) == 1 and row.unit != "1" and told < MOST_SENTENCES:
            told += 1
            yield _best_words(row, names)
    failed = [(device, tally["not met"]) for device, tally in page.verdicts if tally.get("not met")]
    if failed:
        parts = [f"{device} fails {count} of its claims" for device, count in failed]
        yield f"{'; '.join(parts)}."
    elif any(tally for _, tally in page.verdicts):
        yield "None of their claims was found not met."
    if not told:
        yield "No device is significantly best in any quantity measured under the same conditions."


def _best_words(row: ComparisonRow, names: Sequence[str]) -> str:
    best = row.best[0]
    others = [i for i, figure in enumerate(row.figures) if i != best and figure.value is not None]
    second = (max if row.better == "larger" else min)(others, key=lambda i: row.figures[i].value or 0.0)
    said = ("longest", "shortest") if row.unit == "s" else ("highest", "lowest")
    word = said[0] if row.better == "larger" else said[1]
    own, other = (figure_cell(row.figures[index]).shown() for index in (best, second))
    return f"{names[best]} has the {word} {row.label}, {own}; next is {names[second]} with {other}."


def _absent(page: ComparisonPage) -> Iterator[tuple[str, Cell]]:
    """Which devices lack which quantity, and why."""
    for row in page.rows:
        lacking = [
            f"{sheet.device} ({figure.reason or 'not measured'})"
            for sheet, figure in zip(page.devices, row.figures, strict=True)
            if figure.value is None
        ]
        if lacking and len(lacking) < len(row.figures):
            yield row.label, Cell(", ".join(lacking))


def _unlike(page: ComparisonPage) -> Iterator[str]:
    for row in page.rows:
        if row.unlike and any(figure.value is not None for figure in row.figures):
            yield f"{row.label}: not compared. {' '.join(row.unlike)}"
