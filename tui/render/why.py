"""How a result came about, as plain text.

Knows view data and text: no library, no Textual.
"""

from __future__ import annotations

from collections.abc import Iterator

from store.model.results import Result
from store.words.accounts import account_words
from tui.render.format import UNICODE_SIGNS, Signs, clock_time, count, reading
from tui.render.plain import plain
from tui.render.tables import Column, facts_block, table, titled, wrapped

__all__ = ["why_lines"]


def why_lines(
    result: Result, run_id: int, sql: str, *, signs: Signs = UNICODE_SIGNS, width: int | None = None
) -> Iterator[str]:
    """How a result came about: formula, inputs, budget, and the SQL that gets it from the Parquet alone."""
    yield from wrapped("", plain(f"{result.name}, run {run_id}: {_value_words(result, signs)}"), width)
    yield plain(f"method: {result.method}, version {result.method_version}")
    if result.formula:
        yield from wrapped("formula: ", plain(result.formula), width)
    if result.from_s is not None and result.to_s is not None:
        yield f"over: {clock_time(result.from_s)} to {clock_time(result.to_s)}"
    is_absent = result.value is None and result.text is None
    for note in (*result.warnings, "" if is_absent else result.reason):
        if note:
            yield from wrapped("note: ", plain(note), width)
    yield from titled("inputs", facts_block(account_words(result.account), width=width, is_wrapped=True))
    yield from titled("uncertainty", _budget_lines(result, signs, width))
    yield from titled(
        "reproduce it from the Parquet file with DuckDB", ["  " + plain(part) for part in sql.splitlines()]
    )


def _value_words(result: Result, signs: Signs) -> str:
    if result.value is None:
        return result.text or f"absent: {result.reason}"
    if result.unit == "1" and result.uncertainty == 0.0 and result.value == round(result.value):
        return f"{count(round(result.value))}, counted"
    return reading(result.value, result.uncertainty, result.unit, signs=signs)


def _budget_lines(result: Result, signs: Signs, width: int | None) -> list[str]:
    if not result.budget:
        if result.value is None:
            return []
        return ["  none: it is a count"] if result.uncertainty == 0.0 else [f"  not known: {plain(result.reason)}"]
    total = sum(part.standard_uncertainty**2 for part in result.budget)
    columns = [Column("from"), Column(f"standard, {signs.unit(result.unit) or '1'}", is_number=True)]
    columns += [Column("share", is_number=True), Column("type"), Column("distribution"), Column("", wraps=True)]
    rows = [
        (
            part.name,
            f"{part.standard_uncertainty:.3g}",
            f"{part.standard_uncertainty**2 / total:.0%}" if total else "",
            part.kind,
            part.distribution,
            part.detail,
        )
        for part in sorted(result.budget, key=lambda part: -part.standard_uncertainty)
    ]
    lines = [f"  {line}" for line in table(columns, rows, width=width and width - 2, ellipsis=signs.ellipsis)]
    if result.uncertainty is not None:
        lines.append(f"  combined {result.uncertainty:.3g}; shown expanded (k = 2)")
    return lines
