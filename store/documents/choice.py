"""The answer to a need as a document: who qualifies, who does not and why, how sure the order is.

Knows finished answers; no catalogue.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping

from store.choose.decide import Ranking
from store.choose.gates import CLAIMS, SAFETY, GateOutcome
from store.choose.score import BreakEven
from store.choose.terms import Criterion
from store.documents.figures import shown_of
from store.judge.measured import Measured
from store.methods.specs import label_of
from store.model.document import (
    Amount,
    Bar,
    Bars,
    Block,
    Cell,
    Document,
    Heading,
    Manner,
    Paragraph,
    Role,
    Table,
    TableColumn,
    words,
)
from store.model.spec import Shown
from store.uncertainty.decision import MET, NOT_TESTED
from store.uncertainty.freedom import coverage_factor

__all__ = ["choice_document", "excluded_table", "qualified_table"]


def choice_document(choice: Ranking, names: Mapping[str, str] | None = None) -> Document:
    """The answer, the need, who qualifies with how sure the order is, who does not and why, what would change it.

    Args:
        choice: A finished answer.
        names: What each device is called, printed under its code; none on a tester's own screen.
    """
    by = f"   by {choice.need.scheme}" if choice.need.scheme and names is None else ""
    called = names or {}
    answer = choice.answer if choice.answer.endswith(".") else f"{choice.answer}."
    for device in called:
        if name := _name(called, device):
            told = f"{name} ({device})"
            answer = re.sub(rf"(?<![\w-]){re.escape(device)}(?![\w-])", lambda _, told=told: told, answer, count=1)  # type: ignore[misc]
    blocks: list[Block] = [Paragraph(answer, Manner.LEAD)]
    excluded, left, scores = excluded_table(choice, called), qualified_table(choice, called), _scores(choice, called)
    needed = list(_need(choice))
    if needed:
        blocks += [Heading("the need", id="need"), *words(*needed, manner=Manner.ITEM)]
    if left.rows:
        blocks += [Heading("qualified", id="qualified"), *([scores] if len(scores.bars) > 1 else []), left]
        blocks += words(*choice.notes[:1])
    if excluded.rows:
        blocks += [Heading("excluded", id="excluded"), excluded]
    changes = list(_changes(choice))
    if changes:
        blocks += [Heading("what would change the answer", id="changes"), *words(*changes, manner=Manner.ITEM)]
    notes = words(*_notes(choice))
    if notes:
        blocks += [Heading("notes", id="notes"), *notes]
    return Document(f"{choice.need.title}{by}", tuple(blocks))


def _need(choice: Ranking) -> Iterator[str]:
    """Everything that a device must do, in words."""
    need = choice.need
    yield f"a {need.kind}" if need.kind[:1] not in "aeiou" else f"an {need.kind}"
    yield from (gate.words for gate in need.gates)
    if need.claims_are_gate:
        excused = f", but for {', '.join(label_of(name) for name in need.excused)}" if need.excused else ""
        yield f"{CLAIMS}{excused}"
    yield SAFETY
    if not need.keeps_unsure:
        yield "what is too close to call at one of these is excluded"


def _scores(choice: Ranking, names: Mapping[str, str]) -> Bars:
    """The scores on one scale, each with its rank and how often it is first."""
    bars = []
    for placed in choice.placed:
        device = placed.candidate.device
        u = placed.score.uncertainty
        score = Amount(100 * placed.score.value, "1", None if u is None else 100 * u)
        bars.append(Bar(device, Cell(f"rank {placed.rank.words()}", score), promised=_name(names, device)))
    return Bars(tuple(bars), "score, of 100", has_one_scale=True)


def _name(names: Mapping[str, str], device: str) -> str:
    name = names.get(device, "")
    return "" if name == device else name.removesuffix(f" ({device})")


def _changes(choice: Ranking) -> Iterator[str]:
    """Weights at which another comes first, tests that are missing, values that are too close to call."""
    passed: dict[tuple[str, str], BreakEven] = {}
    for even in choice.break_evens:
        kept = passed.get((even.device, even.to))
        if kept is None or even.weight < kept.weight:
            passed[even.device, even.to] = even
    for even in passed.values():
        yield (
            f"{even.device} comes first if {even.to} weighs over {even.weight:.2f} at the cost of {even.source} "
            f"({even.source_weight:.2f} left)."
        )
    by_device: dict[str, list[GateOutcome]] = {}
    for outcome in choice.outcomes:
        if outcome.verdict != MET:
            by_device.setdefault(outcome.device, []).append(outcome)
    for device, found in by_device.items():
        if all(outcome.verdict == NOT_TESTED for outcome in found):
            told = "; ".join(f"{o.gate}: {o.reason.rstrip('.')}" for o in found)
            yield f"{device} may qualify once it is tested ({told})."
    for placed in choice.placed:
        if placed.unsure:
            yield f"{placed.candidate.device} stays in, though too close to call at: {'; '.join(placed.unsure)}."
    for device, why in choice.no_value:
        yield f"{device} meets the requirements but cannot be scored: {why}."


def excluded_table(choice: Ranking, names: Mapping[str, str] | None = None) -> Table:
    """Every gate that excluded a device, with the reason."""
    rows = tuple(
        (
            Cell(o.device, note=_name(names or {}, o.device)),
            Cell(o.gate),
            Cell(o.verdict, role=Role.of(o.verdict)),
            Cell(o.reason, runs=o.run_ids),
        )
        for o in choice.outcomes
        if o.device in choice.shut_out and o.verdict != "met"
    )
    columns = (
        TableColumn("device"),
        TableColumn("gate", wraps=True),
        TableColumn("verdict"),
        TableColumn("reason", wraps=True),
    )
    return Table(columns, rows, titles=2)


def qualified_table(choice: Ranking, names: Mapping[str, str] | None = None) -> Table:
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
                Cell(device, note=_name(names or {}, device)),
                Cell(quantity=Amount(100 * placed.score.value, "1", None if u is None else 100 * u)),
                Cell(placed.rank.words()),
                near,
                anyhow,
                *(_value(criterion, placed.candidate.values[criterion.term]) for criterion in criteria),
                Cell("; ".join(placed.unsure)),
            )
        )
    columns = (
        TableColumn("device"),
        TableColumn("score", is_number=True),
        TableColumn("rank"),
        TableColumn("first with similar weights", is_number=True),
        TableColumn("first with any weights", is_number=True),
        *(TableColumn(criterion.title, is_number=True) for criterion in criteria),
        TableColumn("borderline at", wraps=True),
    )
    return Table(columns, tuple(rows))


def _percent(share: float) -> Amount:
    return Amount(round(100 * share), "%", 0.0)


def _value(criterion: Criterion, value: Measured) -> Cell:
    shown = shown_of(criterion.term.quantity, criterion.unit)
    found = Amount(value.value, criterion.unit, value.uncertainty, shown, coverage_factor(value.dof or math.inf))
    return Cell(quantity=found, runs=value.run_ids, result=criterion.term.quantity)


def _notes(choice: Ranking) -> Iterator[str]:
    """Criteria as published, what tips the answer, what is missing."""
    yield from choice.notes[1:]
    if not choice.placed:
        return
    for criterion in choice.need.criteria:
        anchors = " to ".join(
            Amount(at, criterion.unit, 0.0, _shown(criterion)).text() for at in (criterion.worst, criterion.best)
        )
        yield f"{criterion.title}: weight {criterion.weight:.2f}, {anchors}"
    if choice.shares is not None:
        yield (
            f"First: the share of {choice.shares.draws:,} draws (seed {choice.shares.seed}) in which it is first, "
            "measurements within their uncertainty; similar weights: within 50 % of those stated; any: all weights."
        )
    yield "Of this sample: one unit of each was tested; another one of the model may differ."


def _shown(criterion: Criterion) -> Shown:
    return shown_of(criterion.term.quantity, criterion.unit)
