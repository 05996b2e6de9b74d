"""How one result came about, as a document: method, inputs, budget, statement. Knows results; no catalogue."""

from __future__ import annotations

import math
from collections.abc import Iterator

from store.documents.figures import amount
from store.methods.specs import label_of
from store.model.document import (
    Amount,
    Block,
    Cell,
    Document,
    FactList,
    Heading,
    Paragraph,
    Role,
    Sql,
    Table,
    TableColumn,
    words,
)
from store.model.results import Result
from store.model.spec import Shown
from store.uncertainty.freedom import coverage_factor
from store.words.accounts import account_words
from store.words.numbers import clock_time, significant

MANY_DOF = 200.0
"""From so many degrees of freedom on, k is 2 to three digits."""

__all__ = ["why_document"]


def why_document(result: Result, of: int | str, sql: str) -> Document:
    """The account of a result: formula, inputs, budget, and the SQL that gets it from the Parquet alone.

    Args:
        result: With its budget and its account.
        of: The run's number, or the device's inventory code for a figure of a device as a whole.
        sql: The statement.
    """
    where, files = (f"run {of}", "file") if isinstance(of, int) else (of, "files of all its runs")
    blocks: list[Block] = [FactList(tuple(_head(result)))]
    notes = _notes(result)
    blocks += [Paragraph(note, head="note:") for note in notes]
    inputs = tuple((name, Cell(str(said))) for name, said in account_words(result.account))
    if inputs:
        blocks += [Heading("inputs", id="inputs"), FactList(inputs)]
    budget = list(_budget(result))
    if budget:
        blocks += [Heading("uncertainty", id="uncertainty"), *budget]
    blocks += [Heading(f"reproduce it from the Parquet {files} with DuckDB", id="sql"), Sql("", sql, _value(result))]
    return Document(f"{label_of(result.name)}, {where}", tuple(blocks))


def _value(result: Result) -> Amount | None:
    if result.value is None:
        return None
    found = amount(result.name, result.value, result.unit, result.uncertainty, result.dof)
    if result.unit == "1" and result.uncertainty == 0.0 and result.value == round(result.value):
        return Amount(result.value, "1", 0.0, Shown.COUNT)
    return found


def _head(result: Result) -> Iterator[tuple[str, Cell]]:
    found = _value(result)
    if found is not None:
        yield "value", Cell("counted" if found.shown is Shown.COUNT else "", found, Role.HEAD)
    else:
        yield "value", Cell(result.text or f"absent: {result.reason}")
    yield "result", Cell(result.name)
    yield "method", Cell(f"{result.method}, version {result.method_version}")
    yield "formula", Cell(result.formula)
    if result.from_s is not None and result.to_s is not None:
        yield "over", Cell(f"{clock_time(result.from_s)} to {clock_time(result.to_s)}")


def _notes(result: Result) -> list[str]:
    is_absent = result.value is None and result.text is None
    return [note for note in (*result.warnings, "" if is_absent else result.reason) if note]


def _budget(result: Result) -> Iterator[Block]:
    if not result.budget:
        if result.value is not None:
            yield from words("None: it is a count." if result.uncertainty == 0.0 else f"Not known: {result.reason}")
        return
    total = sum(part.standard_uncertainty**2 for part in result.budget)
    rows = tuple(
        (
            Cell(part.name),
            Cell(significant(part.standard_uncertainty, 3, most_decimals=9)),
            Cell(f"{part.standard_uncertainty**2 / total:.0%}".replace("%", " %") if total else ""),
            Cell(part.kind),
            Cell(part.distribution),
            Cell(part.detail),
        )
        for part in sorted(result.budget, key=lambda part: -part.standard_uncertainty)
    )
    unit = "" if result.unit == "1" else f", {result.unit}"
    columns = (
        TableColumn("from"),
        TableColumn(f"standard{unit}", is_number=True),
        TableColumn("share", is_number=True),
        TableColumn("type"),
        TableColumn("distribution"),
        TableColumn("", wraps=True),
    )
    combined = ""
    if result.uncertainty is not None:
        factor = coverage_factor(math.inf if result.dof is None else result.dof)
        few = "" if result.dof is None or result.dof > MANY_DOF else f", {result.dof:.3g} degrees of freedom"
        combined = (
            f"combined {significant(result.uncertainty, 3, most_decimals=9)}; shown expanded "
            f"(k = {significant(factor, 3)}{few})"
        )
    yield Table(columns, rows, note=combined)
