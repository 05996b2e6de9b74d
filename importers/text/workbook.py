"""A spreadsheet's first sheet as comma-separated text, through an optional reader.

Knows .xlsx through openpyxl, which is loaded only when such a file is read.
"""

from __future__ import annotations

import csv
import io
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from importers.problems import ImportRefused

__all__ = ["sheet_as_text"]


def sheet_as_text(path: Path) -> bytes:
    """Read the first sheet that holds cells and write it as CSV (RFC 4180), UTF-8.

    Raises:
        ImportRefused: the reader isn't installed, or the workbook is damaged or empty.
    """
    try:
        from openpyxl import load_workbook  # noqa: PLC0415 - optional
    except ImportError as error:
        raise ImportRefused.because(
            "no-reader",
            f"{path.name} is a spreadsheet and openpyxl is not installed. Install it with the `spreadsheet` extra, "
            "or save the sheet as CSV.",
            file=path.name,
        ) from error
    try:
        text = _first_sheet(load_workbook(path, read_only=True, data_only=True))
    except Exception as error:  # a damaged workbook raised ten unrelated kinds of error in 2,300 trials
        raise ImportRefused.because(
            "unreadable",
            f"{path.name} can't be read as a spreadsheet: {error}. Save it again, or as CSV.",
            file=path.name,
        ) from error
    if not text:
        raise ImportRefused.because("empty", f"{path.name} holds no cell with a value.", file=path.name)
    return text.encode()


def _first_sheet(book: Any) -> str:
    """Write the first sheet that holds cells as CSV; empty where none does."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    for sheet in book.worksheets:
        rows = [[_text(cell) for cell in row] for row in sheet.iter_rows(values_only=True)]
        if any(any(row) for row in rows):
            writer.writerows(rows)
            break
    book.close()
    return out.getvalue()


def _text(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        return cell.isoformat(sep=" ")
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, timedelta):
        return repr(cell.total_seconds())
    return repr(cell) if isinstance(cell, float) else str(cell)
