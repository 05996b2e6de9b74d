"""An Arrow table as a file: CSV, Parquet or Arrow, the same bytes every time. Knows Arrow only."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv as pc
import pyarrow.parquet as pq

from importers.schema import CHANNELS

__all__ = ["FORMATS", "describe_fields", "flat", "write_table"]

FORMATS: Mapping[str, str] = {
    "csv": "text/csv",
    "parquet": "application/vnd.apache.parquet",
    "arrow": "application/vnd.apache.arrow.file",
}
"""Format to media type."""

_UCUM = {channel.name: (channel.ucum, channel.label) for channel in CHANNELS} | {
    "t_s": ("s", "time from the run's first sample")
}
_UCUM_OF_SUFFIX = {
    "wh": "W.h", "ah": "A.h", "mah": "mA.h", "w": "W", "v": "V", "a": "A", "s": "s", "c": "Cel", "k": "K",
    "g": "g", "mohm": "mOhm", "percent": "%", "cm3": "cm3", "mv": "mV", "hz": "Hz", "ohm": "Ohm",
}  # fmt: skip


_PICTURES = {code: chr(0x2400 + code) for code in range(0x20) if chr(code) not in "\n\t\r"} | {0x7F: "\u2421"}


def flat(table: pa.Table) -> pa.Table:
    """The table for CSV: lists as text joined by blanks, and no text that a spreadsheet or a terminal would obey."""
    for index, field in enumerate(table.schema):
        if pa.types.is_list(field.type):
            texts = [None if v is None else " ".join(map(str, v)) for v in table.column(index).to_pylist()]
            table = table.set_column(index, field.name, pa.array(texts, pa.string()))
        elif pa.types.is_string(field.type) or pa.types.is_large_string(field.type):
            harmless = [None if v is None else _harmless(v) for v in table.column(index).to_pylist()]
            table = table.set_column(index, field.name, pa.array(harmless, field.type))
    return table


def _harmless(text: str) -> str:
    """Control characters as signs, and an apostrophe before what a spreadsheet would run."""
    shown = text.translate(_PICTURES)
    return "'" + shown if shown.startswith(("=", "+", "-", "@")) else shown


def write_table(table: pa.Table, path: Path, form: str, footer: Mapping[str, Any] | None = None) -> None:
    """Write a table.

    Args:
        table: Its columns.
        path: A new file.
        form: One of FORMATS.
        footer: For Parquet and Arrow: JSON under the key `joulebook`. CSV has no place for it.
    """
    if form == "csv":
        pc.write_csv(flat(table), path, pc.WriteOptions(quoting_style="needed"))
        return
    if footer is not None:
        text = json.dumps(footer, ensure_ascii=False, sort_keys=True, default=str)
        table = table.replace_schema_metadata({"joulebook": text})
    if form == "parquet":
        pq.write_table(table, path, compression="zstd", compression_level=3, write_page_checksum=True)
        return
    with pa.OSFile(str(path), "wb") as file, pa.ipc.new_file(file, table.schema) as writer:
        writer.write_table(table)


def describe_fields(table: pa.Table) -> list[dict[str, str]]:
    """Fields of a Data Package table schema, with UCUM units where the name tells one."""
    return [_describe(field) for field in table.schema]


def _describe(field: pa.Field) -> dict[str, str]:
    described = {"name": field.name, "type": _kind(field.type)}
    ucum, label = _UCUM.get(field.name, (_UCUM_OF_SUFFIX.get(field.name.rpartition("_")[2], ""), ""))
    if pa.types.is_floating(field.type) and ucum:
        described["unit"] = ucum
    if label:
        described["title"] = label
    return described


def _kind(kind: pa.DataType) -> str:
    if pa.types.is_integer(kind):
        return "integer"
    if pa.types.is_floating(kind):
        return "number"
    if pa.types.is_boolean(kind):
        return "boolean"
    if pa.types.is_timestamp(kind):
        return "datetime"
    return "date" if pa.types.is_date(kind) else "string"


def plain_json(value: object) -> object:
    """A value as JSON has it: dates as ISO 8601."""
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): plain_json(item) for key, item in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str | bytes):
        return [plain_json(item) for item in value]
    return value
