"""An answer to a need as tables and sentences, for the command line and the screen.

Knows finished answers: no Textual, no library.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from store.choose import Choice, Criterion
from store.judge.measured import Measured
from tui.render.format import Signs, reading
from tui.render.tables import Column, table

__all__ = ["answer_line", "choice_lines", "footnotes", "placed_table", "shut_table"]

Rows = tuple[list[Column], list[tuple[object, ...]]]


def answer_line(choice: Choice) -> str:
    """The answer as a sentence: `B for most; A if you carry it.`."""
    return choice.answer if choice.answer.endswith(".") else f"{choice.answer}."


def shut_table(choice: Choice) -> Rows:
    """Every gate that shut a device out, with the reason."""
    columns = [Column("device"), Column("gate", wraps=True), Column("verdict"), Column("because", wraps=True)]
    stopped = [o for o in choice.outcomes if o.device in choice.shut_out and o.verdict != "met"]
    return columns, [(o.device, o.gate, o.verdict, o.reason) for o in stopped]


def placed_table(choice: Choice, signs: Signs) -> Rows:
    """What is left: score with U, rank set, shares of wins, and every value that was weighed."""
    criteria = choice.need.criteria
    columns = [
        Column("device"),
        Column("score", is_number=True),
        Column("rank"),
        Column("wins near, %", is_number=True),
        Column("wins any, %", is_number=True),
        *(Column(_head(c), is_number=True) for c in criteria),
        Column("unsure at"),
    ]
    rows: list[tuple[object, ...]] = []
    for placed in choice.placed:
        device = placed.candidate.device
        wins: tuple[str, str] = ("", "")
        if choice.shares is not None:
            index = choice.shares.devices.index(device)
            wins = (f"{100 * choice.shares.first(device):.0f}", f"{100 * choice.shares.any_weights[index][0]:.0f}")
        cells = [_cell(criterion, placed.candidate.values[criterion.term], signs) for criterion in criteria]
        u = placed.score.uncertainty
        score = reading(100 * placed.score.value, None if u is None else 100 * u, "", signs=signs)
        rows.append((device, score, placed.rank.words(), *wins, *cells, "; ".join(placed.unsure)))
    return columns, rows


def footnotes(choice: Choice) -> Iterable[str]:
    """Criteria as published, what tips the answer, what is missing."""
    yield from choice.notes[1:]
    for device, why in choice.no_value:
        yield f"{device} came through the gates but can't be weighed: {why}."
    if not choice.placed:
        return
    for criterion in choice.need.criteria:
        unit, scale = _shown_unit(criterion)
        anchors = f"{criterion.worst / scale:g} to {criterion.best / scale:g} {unit}".rstrip()
        yield f"{criterion.title}: weight {criterion.weight:.2f}, {anchors}"
    for even in choice.break_evens:
        yield (
            f"{even.device} comes first if {even.to} weighs over {even.weight:.2f} at the cost of {even.source} "
            f"({even.source_weight:.2f} left)"
        )
    if choice.shares is not None:
        yield (
            f"wins: share of {choice.shares.draws:,} draws (seed {choice.shares.seed}) in which it is first, "
            "measurements within their uncertainty; near: weights within 50 % of those stated; any: any weights"
        )
    yield "Of this sample: one unit of each was tested; another one of the model may differ."


def choice_lines(choice: Choice, signs: Signs, width: int) -> list[str]:
    """All of it as lines of text.

    Args:
        choice: The answer.
        signs: What the terminal can draw.
        width: Cells that a line may take.
    """
    by = f"   by {choice.need.scheme}" if choice.need.scheme else ""
    lines = [f"{choice.need.title}{by}", answer_line(choice)]
    for head, (columns, rows) in (("shut out", shut_table(choice)), ("left", placed_table(choice, signs))):
        if rows:
            lines += ["", head if head == "shut out" else (choice.notes[0] if choice.notes else head)]
            lines += table(columns, rows, width=width, ellipsis=signs.ellipsis)
    notes = [part for note in footnotes(choice) for part in textwrap.wrap(note, max(width, 20))]
    return [*lines, "", *notes]


def _shown_unit(criterion: Criterion) -> tuple[str, float]:
    """The unit in which people read a criterion, and its size: long times in hours."""
    if criterion.unit == "s" and max(criterion.worst, criterion.best) >= 3600.0:
        return "h", 3600.0
    return "" if criterion.unit == "1" else criterion.unit, 1.0


def _head(criterion: Criterion) -> str:
    unit, _ = _shown_unit(criterion)
    return f"{criterion.title}, {unit}" if unit else criterion.title


def _cell(criterion: Criterion, value: Measured, signs: Signs) -> str:
    _, scale = _shown_unit(criterion)
    u = None if value.uncertainty is None else value.uncertainty / scale
    return reading(value.value / scale, u, "", signs=signs)
