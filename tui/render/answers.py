"""An answer as CSV, JSON, Parquet, Arrow or text, into a file or a stream.

Knows Arrow tables and files: no library, no screen.
"""

from __future__ import annotations

import csv
import io
import json
import os
from pathlib import Path
from typing import Any, BinaryIO

import pyarrow as pa
import pyarrow.parquet as pq

from tui.render.format import is_number
from tui.render.json_values import jsonable
from tui.render.tables import Head
from tui.render.tables import table as text_table

__all__ = ["cell", "safe_for_spreadsheets", "save", "table_cells", "write"]

_PICTURES = {code: chr(0x2400 + code) for code in range(0x20) if chr(code) not in "\n\t\r"} | {0x7F: "\u2421"}
_RUN_BY_SPREADSHEETS = ("=", "+", "-", "@", "\t", "\r")


def save(table: pa.Table, form: str, path: Path, *, raw: bool = False) -> None:
    """Write an answer to a file whole or not at all: beside it first, then in its place.

    Raises:
        OSError: the file can't be written.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with beside.open("wb") as stream:
            write(table, form, stream, raw=raw)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def write(table: pa.Table, form: str, stream: BinaryIO, *, raw: bool = False) -> None:
    """Write an answer to an open stream.

    Args:
        table: The answer.
        form: `csv`, `json`, `parquet`, `arrow` or `table`.
        stream: Takes bytes; text is UTF-8.
        raw: Leave CSV text as it is, also where a spreadsheet would run it as a formula.
    """
    if form == "parquet":
        pq.write_table(table, stream, compression="zstd")
    elif form == "arrow":
        with pa.ipc.new_file(stream, table.schema) as writer:
            writer.write_table(table)
    elif form == "json":
        text = json.dumps(jsonable(table.to_pylist()), ensure_ascii=False, indent=2, allow_nan=False)
        stream.write((text + "\n").encode("utf-8", "backslashreplace"))
    elif form == "csv":
        _write_csv(table, stream, raw=raw)
    else:
        _write_text(table, stream)


def _write_csv(table: pa.Table, stream: BinaryIO, *, raw: bool) -> None:
    """CSV as RFC 4180 has it: CRLF, quotes where needed, NULL as an empty cell."""
    text = io.TextIOWrapper(stream, "utf-8", errors="backslashreplace", newline="", write_through=True)
    try:
        writer = csv.writer(text)
        keep = (lambda value: value) if raw else safe_for_spreadsheets
        writer.writerow([keep(name) for name in table.column_names])
        for batch in table.to_batches(max_chunksize=10_000):
            columns = [column.to_pylist() for column in batch.columns]
            writer.writerows([keep(value) for value in row] for row in zip(*columns, strict=True))
    finally:
        text.flush()
        text.detach()


def safe_for_spreadsheets(value: object) -> object:
    """Put an apostrophe before text that a spreadsheet would take for a formula; numbers stay as they are.

    Control characters become signs, for a terminal would obey them.
    """
    if not isinstance(value, str):
        return value
    shown = value.translate(_PICTURES)
    return "'" + shown if value.startswith(_RUN_BY_SPREADSHEETS) else shown


def _write_text(table: pa.Table, stream: BinaryIO) -> None:
    columns, rows = table_cells(table)
    stream.write(("\n".join(text_table(columns, rows)) + "\n").encode("utf-8", "backslashreplace"))


def table_cells(table: pa.Table) -> tuple[list[Head], list[tuple[str, ...]]]:
    """Head and cells of an answer as a text table; numbers stand on the decimal point."""
    columns = [
        Head(name, is_number=pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind))
        for name, kind in zip(table.column_names, table.schema.types, strict=True)
    ]
    arrays = [column.to_pylist() for column in table.columns]
    rows = [tuple(cell(value) for value in row) for row in zip(*arrays, strict=True)]
    return columns, rows


def cell(value: Any) -> str:
    """A value as a table shows it: nothing for NULL, floats to ten significant digits."""
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}" if is_number(value) else str(value)
    return str(value)
