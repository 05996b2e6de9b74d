"""What the importer makes of a file, as plain text.

Knows inspections and text: no library, no Textual.
"""

from __future__ import annotations

from collections.abc import Iterator

from importers import Inspection, Question
from importers.schema import Problem
from tui.render.format import UNICODE_SIGNS, Signs, clock_form, count, significant
from tui.render.plain import plain
from tui.render.tables import Column, facts_block, table

__all__ = ["inspection_lines"]

_DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe", " ": "spaces", "": "none"}


def inspection_lines(found: Inspection, *, signs: Signs = UNICODE_SIGNS, width: int | None = None) -> Iterator[str]:
    """An inspection line by line, harmless to any terminal: table, columns with reasons, runs, questions, problems."""
    yield plain(f"{found.file}: {found.summary}")
    yield from facts_block(_table_facts(found), width=width)
    yield ""
    yield from _columns(found, signs, width)
    yield from _questions(found.questions)
    yield from _problems(found.problems)


def _table_facts(found: Inspection) -> Iterator[tuple[str, object]]:
    yield "encoding", found.encoding
    yield "table", f"{_DELIMITERS.get(found.delimiter, found.delimiter)} between cells, decimal {_mark(found.decimal)}"
    yield "header", "none" if found.header_row is None else f"line {count(found.header_row)}"
    columns = ", ".join(found.time.columns)
    time = found.time
    read = " ".join(filter(None, [time.source, clock_form(time.unit), columns and f"from {columns}"]))
    yield "time", f"{read}. {time.note}" if time.note else read
    yield "profile", found.profile or "none fits; worked out from the file"
    runs = [
        f"{part}{f' (port {port})' if port else ''}: {count(samples)} samples" for part, port, samples in found.runs
    ]
    yield "runs looked at", "; ".join(runs)
    yield "sure", f"{found.confidence:.0%}"


def _mark(decimal: str) -> str:
    return "comma" if decimal == "," else "point"


def _columns(found: Inspection, signs: Signs, width: int | None) -> list[str]:
    columns = [Column("column"), Column("taken for"), Column("unit"), Column("factor", is_number=True), Column("port")]
    columns += [Column("sure", is_number=True), Column("why", wraps=True)]
    rows = [
        (
            column.name,
            column.channel or "not used",
            clock_form(column.unit),
            significant(column.factor, 4, most_decimals=9) if column.channel else "",
            column.port,
            f"{column.confidence:.0%}" if column.channel else "",
            column.reason,
        )
        for column in found.columns
    ]
    return table(columns, rows, width=width, ellipsis=signs.ellipsis)


def _questions(questions: tuple[Question, ...]) -> Iterator[str]:
    if questions:
        yield ""
        yield "to be answered before it can be imported"
    for question in questions:
        yield plain(f"  {question.text}")
        for choice in question.choices:
            yield plain(f"    --answer {question.id}={choice.value}    {choice.label}")
        if not question.choices:
            yield plain(f"    {question.option}")


def _problems(problems: tuple[Problem, ...]) -> Iterator[str]:
    if problems:
        yield ""
        yield "found on the way"
    for problem in problems:
        times = f" ({count(problem.count)} times)" if problem.count > 1 else ""
        yield plain(f"  {problem.message}{times}")
