"""The answer to a need as a document: who qualifies, who does not and why, how sure the order is.

Knows finished answers; no catalogue.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from store.choose.decide import Choice
from store.choose.terms import Criterion
from store.documents.figures import shown_of
from store.judge.measured import Measured
from store.model.document import (
    Amount,
    Block,
    Cell,
    Column,
    Document,
    Heading,
    Manner,
    Paragraph,
    Role,
    Table,
    words,
)
from store.model.spec import Shown
from store.uncertainty.freedom import coverage_factor

__all__ = ["choice_document", "excluded_table", "qualified_table"]


def choice_document(choice: Choice) -> Document:
    """The need, the answer, who is excluded and why, who is left in order, and what the order rests on."""
    by = f"   by {choice.need.scheme}" if choice.need.scheme else ""
    answer = choice.answer if choice.answer.endswith(".") else f"{choice.answer}."
    blocks: list[Block] = [Paragraph(answer, Manner.LEAD)]
    excluded, left = excluded_table(choice), qualified_table(choice)
    if excluded.rows:
        blocks += [Heading("excluded", id="excluded"), excluded]
    if left.rows:
        title = choice.notes[0] if choice.notes else "qualified"
        blocks += [Heading(title, id="qualified"), left]
    notes = words(*_notes(choice))
    if notes:
        blocks += [Heading("notes", id="notes"), *notes]
    return Document(f"{choice.need.title}{by}", tuple(blocks))


def excluded_table(choice: Choice) -> Table:
    """Every gate that excluded a device, with the reason."""
    rows = tuple(
        (
            Cell(o.device),
            Cell(o.gate),
            Cell(o.verdict, role=Role.of(o.verdict)),
            Cell(o.reason, runs=o.run_ids),
        )
        for o in choice.outcomes
        if o.device in choice.shut_out and o.verdict != "met"
    )
    columns = (Column("device"), Column("gate", wraps=True), Column("verdict"), Column("reason", wraps=True))
    return Table(columns, rows, titles=2)


def qualified_table(choice: Choice) -> Table:
    """What is left: score with ±, rank, how often it comes first, and every value that was weighed."""
    criteria = choice.need.criteria
    rows = []
    for placed in choice.placed:
        device = placed.candidate.device
        near, anyhow = Cell(), Cell()
        if choice.shares is not None:
            index = choice.shares.devices.index(device)
            near = Cell(quantity=_percent(choice.shares.first(device)))
            anyhow = Cell(quantity=_percent(choice.shares.any_weights[index][0]))
        u = placed.score.uncertainty
        rows.append(
            (
                Cell(device),
                Cell(quantity=Amount(100 * placed.score.value, "1", None if u is None else 100 * u)),
                Cell(placed.rank.words()),
                near,
                anyhow,
                *(_value(criterion, placed.candidate.values[criterion.term]) for criterion in criteria),
                Cell("; ".join(placed.unsure)),
            )
        )
    columns = (
        Column("device"),
        Column("score", is_number=True),
        Column("rank"),
        Column("first with similar weights", is_number=True),
        Column("first with any weights", is_number=True),
        *(Column(criterion.title, is_number=True) for criterion in criteria),
        Column("borderline at", wraps=True),
    )
    return Table(columns, tuple(rows))


def _percent(share: float) -> Amount:
    return Amount(round(100 * share), "%", 0.0)


def _value(criterion: Criterion, value: Measured) -> Cell:
    shown = shown_of(criterion.term.quantity, criterion.unit)
    found = Amount(value.value, criterion.unit, value.uncertainty, shown, coverage_factor(value.dof or math.inf))
    return Cell(quantity=found, runs=value.run_ids, result=criterion.term.quantity)


def _notes(choice: Choice) -> Iterator[str]:
    """Criteria as published, what tips the answer, what is missing."""
    yield from choice.notes[1:]
    for device, why in choice.no_value:
        yield f"{device} meets the requirements but cannot be scored: {why}."
    if not choice.placed:
        return
    for criterion in choice.need.criteria:
        anchors = " to ".join(
            Amount(at, criterion.unit, 0.0, _shown(criterion)).text() for at in (criterion.worst, criterion.best)
        )
        yield f"{criterion.title}: weight {criterion.weight:.2f}, {anchors}"
    for even in choice.break_evens:
        yield (
            f"{even.device} comes first if {even.to} weighs over {even.weight:.2f} at the cost of {even.source} "
            f"({even.source_weight:.2f} left)"
        )
    if choice.shares is not None:
        yield (
            f"First: the share of {choice.shares.draws:,} draws (seed {choice.shares.seed}) in which it is first, "
            "measurements within their uncertainty; similar weights: within 50 % of those stated; any: all weights."
        )
    yield "Of this sample: one unit of each was tested; another one of the model may differ."


def _shown(criterion: Criterion) -> Shown:
    return shown_of(criterion.term.quantity, criterion.unit)
