"""What the importer makes of a file, as a document: table, columns with reasons, runs, questions, problems."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from importers import Inspection, Question
from importers.schema import Problem
from store.model.document import Block, Cell, Document, FactList, Heading, Paragraph, Role, Table, TableColumn
from store.words.clock import clock_form
from store.words.numbers import significant

__all__ = ["inspection_document"]

_DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe", " ": "spaces", "": "none"}


def inspection_document(found: Inspection) -> Document:
    """An inspection: how the table is read, each column, what is still open, what was met on the way."""
    blocks: list[Block] = [FactList(tuple(_table_facts(found))), _columns(found)]
    if found.questions:
        blocks += [Heading("to be answered before it can be imported", id="questions"), *_questions(found.questions)]
    if found.problems:
        blocks += [Heading("found on the way", id="problems"), *_problems(found.problems)]
    return Document(f"{found.file}: {found.summary}", tuple(blocks))


def _table_facts(found: Inspection) -> Iterator[tuple[str, Cell]]:
    yield "encoding", Cell(found.encoding or "")
    mark = "comma" if found.decimal == "," else "point"
    yield "table", Cell(f"{_DELIMITERS.get(found.delimiter, found.delimiter)} between cells, decimal {mark}")
    yield "header", Cell("none" if found.header_row is None else f"line {found.header_row:,}")
    columns = ", ".join(found.time.columns)
    time = found.time
    read = " ".join(filter(None, [time.source, clock_form(time.unit), columns and f"from {columns}"]))
    yield "time", Cell(f"{read}. {time.note}" if time.note else read)
    yield "profile", Cell(found.profile or "none fits; worked out from the file")
    runs = [f"{part}{f' (port {port})' if port else ''}: {samples:,} samples" for part, port, samples in found.runs]
    yield "runs looked at", Cell("; ".join(runs))
    yield "sure", Cell(f"{100 * found.confidence:.0f} %")


def _columns(found: Inspection) -> Table:
    rows = tuple(
        (
            Cell(column.name),
            Cell(column.channel or "not used", role=Role.PLAIN if column.channel else Role.DIM),
            Cell(clock_form(column.unit)),
            Cell(significant(column.factor, 4, most_decimals=9) if column.channel else ""),
            Cell(column.port or ""),
            Cell(f"{100 * column.confidence:.0f} %" if column.channel else ""),
            Cell(column.reason),
        )
        for column in found.columns
    )
    columns = (
        TableColumn("column"),
        TableColumn("taken for"),
        TableColumn("unit"),
        TableColumn("factor", is_number=True),
        TableColumn("port"),
        TableColumn("sure", is_number=True),
        TableColumn("reason", wraps=True),
    )
    return Table(columns, rows, titles=2)


def _questions(questions: Sequence[Question]) -> Iterator[Paragraph]:
    for question in questions:
        yield Paragraph(question.text)
        for choice in question.choices:
            yield Paragraph(choice.label, head=f"--answer {question.id}={choice.value}")
        if not question.choices:
            yield Paragraph(question.option)


def _problems(problems: Sequence[Problem]) -> Iterator[Paragraph]:
    for problem in problems:
        times = f" ({problem.count:,} times)" if problem.count > 1 else ""
        yield Paragraph(f"{problem.message}{times}")
