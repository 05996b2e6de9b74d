"""JSON -> a table: one object a line, an array of objects or of arrays, columns by name. Knows JSON (RFC 8259)."""

from __future__ import annotations

import json
from typing import Any

from importers.problems import ImportRefused
from importers.text.recast.recast import Recast, table_text

__all__ = ["is_json", "records_as_table"]

_DEEP = 6
"""Levels of a document that are searched for records."""
_MOST_KEYS = 200


def is_json(head: str) -> bool:
    """Tell whether a text begins as JSON that may hold records."""
    start = head.lstrip("\ufeff \t\r\n")
    if start[:1] == "{":
        return start[1:].lstrip()[:1] in {'"', "}"}
    return start[:1] == "[" and start[1:].lstrip()[:1] in {"{", "[", "]"}


def records_as_table(text: str, file: str) -> Recast:
    """Make the table.

    Raises:
        ImportRefused: it is damaged, or holds no records.
    """
    text = text.lstrip("\ufeff")
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        lines = [
            (n, s) for n, s in enumerate(map(str.strip, text.split("\n")), 1) if s and not s.startswith(("#", "//"))
        ]
        found = _by_lines(lines) if text.lstrip()[:1] == "{" and len(lines) > 1 else None
        if found is None:
            where = f" at line {error.lineno:,}" if isinstance(error, json.JSONDecodeError) else ""
            raise ImportRefused.because(
                "unreadable", f"{file} holds JSON that is damaged{where}. Export it again, or as CSV.", file=file
            ) from error
        return found
    said: list[str] = []
    records = _find(document, said, 0)
    if records is None or len(records) < 2:
        raise ImportRefused.because(
            "no-table",
            f"{file} holds JSON, but no list of records with a time and readings. Export it as CSV.",
            file=file,
        )
    body = _table(records, file)
    above = [[line] for line in said[:40]]
    data = len(above) + 2
    return Recast("a JSON array", table_text([*above, *body]), places=((1, "Record", 1), (data, "Record", 1)))


def _by_lines(lines: list[tuple[int, str]]) -> Recast | None:
    """One object a line; a damaged line stands as it is, for it to be counted."""
    records: list[Any] = []
    for _, line in lines:
        try:
            records.append(json.loads(line.rstrip(",")))
        except (ValueError, RecursionError):
            records.append(line)
    good = sum(isinstance(r, dict) for r in records)
    if good < 2 or good < 0.8 * len(records):
        return None
    numbers = [n for n, _ in lines]
    return Recast("lines of JSON", table_text(_table(records, "")), lines=(numbers[0], *numbers))


def _find(document: Any, said: list[str], depth: int) -> list[Any] | None:
    """The longest list of records in a document; what stands beside it as plain values is collected."""
    if depth > _DEEP:
        return None
    if isinstance(document, list) and (columns := _columns(document)):
        return columns
    if isinstance(document, list):
        return document if document and all(isinstance(r, dict | list) for r in document) else None
    if not isinstance(document, dict):
        return None
    series = {k: v for k, v in document.items() if isinstance(v, list) and v and not isinstance(v[0], dict | list)}
    if len(series) >= 2 and len({len(v) for v in series.values()}) == 1:
        said += _plain(document)
        return [dict(zip(series, row, strict=True)) for row in zip(*series.values(), strict=True)]
    best: list[Any] | None = None
    for value in document.values():
        found = _find(value, said, depth + 1)
        if found is not None and (best is None or len(found) > len(best)):
            best = found
    if best is not None:
        said += _plain(document)
    return best


def _columns(document: list[Any]) -> list[Any] | None:
    """Records of a list of columns, each with its name, perhaps its unit, and its values; None where it is none."""
    if len(document) < 2 or not all(isinstance(column, dict) for column in document):
        return None
    named: dict[str, list[Any]] = {}
    for column in document:
        values = [v for v in column.values() if isinstance(v, list)]
        name = next((column[k] for k in ("name", "label", "quantity", "channel", "key") if k in column), None)
        if len(values) != 1 or not isinstance(name, str):
            return None
        named[f"{name} ({column['unit']})" if isinstance(column.get("unit"), str) else name] = values[0]
    if len(named) != len(document) or len({len(v) for v in named.values()}) != 1:
        return None
    return [dict(zip(named, row, strict=True)) for row in zip(*named.values(), strict=True)]


def _plain(document: dict[str, Any]) -> list[str]:
    return [f"{k}: {v}" for k, v in document.items() if isinstance(v, str | int | float) and "\n" not in str(v)]


def _table(records: list[Any], file: str) -> list[list[str]]:
    if all(isinstance(r, list) for r in records):
        return [[_text(v) for v in r] for r in records]
    flat = [_flat(r, ()) if isinstance(r, dict) else r for r in records]
    keys = list(dict.fromkeys(k for r in flat if isinstance(r, dict) for k in r))
    if len(keys) > _MOST_KEYS:
        raise ImportRefused.because("too-wide", f"{file} holds records with more than {_MOST_KEYS} keys.", file=file)
    leaves = [k[-1] for k in keys]
    names = [k[-1] if leaves.count(k[-1]) == 1 else " ".join(k) for k in keys]
    body = [[r.get(k, "") for k in keys] if isinstance(r, dict) else [_text(r)] for r in flat]
    return [names, *body]


def _flat(record: dict[str, Any], above: tuple[str, ...]) -> dict[tuple[str, ...], str]:
    """Values by their path of keys; a value with its unit beside it (`{"value": 5.0, "unit": "V"}`) is one."""
    found: dict[tuple[str, ...], str] = {}
    for key, value in record.items():
        if isinstance(value, dict) and {"value", "unit"} <= set(value) and len(above) < _DEEP:
            found[(*above, key)] = f"{_text(value['value'])} {value['unit']}"
        elif isinstance(value, dict) and len(above) < _DEEP:
            found.update(_flat(value, (*above, key)))
        else:
            found[(*above, key)] = _text(value)
    return found


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return json.dumps(value) if isinstance(value, dict | list | bool) else repr(value)
