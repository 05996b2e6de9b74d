"""A validation record as text to keep and as a JSON document. Knows cases and text: no library, no Textual."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import Any

from store.validation import Case, ValidationRecord
from tui.render.format import UNICODE_SIGNS, Signs
from tui.render.json_values import jsonable
from tui.render.plain import plain
from tui.render.tables import Head, table

__all__ = ["check_document", "check_lines"]


def check_lines(record: ValidationRecord, *, signs: Signs = UNICODE_SIGNS, width: int | None = None) -> Iterator[str]:
    """The record: when, with what, every case under its source, and how many passed."""
    yield f"Validation record, Joulebook {record.program_version}, {record.checked_at:%Y-%m-%d %H:%M} UTC"
    yield plain(record.ran_on)
    columns = [
        Head("case", may_shrink=True),
        Head("expected", is_number=True),
        Head("got", is_number=True),
        Head("within", is_number=True),
        Head(""),
        Head(""),
    ]
    for source, cases in groupby(record.cases, key=lambda case: case.source):
        yield ""
        yield plain(source)
        rows = [_row(case, signs) for case in cases]
        yield from (f"  {line}" for line in table(columns, rows, width=width and width - 2, ellipsis=signs.ellipsis))
    yield ""
    yield f"{len(record.cases) - len(record.failed)} of {len(record.cases)} cases passed"


def _row(case: Case, signs: Signs) -> tuple[object, ...]:
    return (
        case.name,
        _shown(case.expected),
        _shown(case.got),
        f"{case.tolerance:.1g}" if case.tolerance else "",
        signs.unit(case.unit),
        "passed" if case.passed else "FAILED",
    )


def _shown(value: float | str | None) -> str:
    if value is None:
        return "nothing"
    return value if isinstance(value, str) else f"{value:.10g}"


def check_document(record: ValidationRecord) -> dict[str, Any]:
    """The record as `check --json` prints it."""
    cases = [{**jsonable(case), "passed": case.passed} for case in record.cases]
    head = {"checked_at": record.checked_at, "program_version": record.program_version, "ran_on": record.ran_on}
    return {
        **jsonable(head),
        "passed": len(record.cases) - len(record.failed),
        "failed": len(record.failed),
        "cases": cases,
    }
