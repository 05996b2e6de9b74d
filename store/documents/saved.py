"""Documents as plain JSON values and back, so that a page that was issued can be kept. Knows documents only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, fields
from enum import Enum
from typing import Any

from store.model.document import (
    Amount,
    Band,
    Bar,
    Bars,
    Block,
    Cell,
    FactList,
    Heading,
    Manner,
    Matrix,
    MatrixRow,
    Panel,
    Paragraph,
    Plot,
    Role,
    Series,
    Sql,
    Table,
    TableColumn,
)
from store.model.spec import Shown

__all__ = ["block_of", "older_blocks", "plain_of"]

_NAMES: Mapping[type, str] = {
    Amount: "Amount", Band: "Band", Bar: "Bar", Bars: "Bars", Cell: "Cell", FactList: "Facts", Heading: "Heading",
    Matrix: "Matrix", MatrixRow: "MatrixRow", Panel: "Panel", Paragraph: "Paragraph", Plot: "Plot", Series: "Series",
    Sql: "Sql", Table: "Table", TableColumn: "Column",
}  # fmt: skip
"""What each kind is called in issued reports, for good."""
_KINDS = {name: kind for kind, name in _NAMES.items()}
_ENUMS: Mapping[tuple[str, str], type[Enum]] = {
    ("Cell", "role"): Role,
    ("Paragraph", "manner"): Manner,
    ("Amount", "shown"): Shown,
}


def plain_of(value: Any) -> Any:
    """A block, or what it is made of, as JSON holds it; what is as by default is left out."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, tuple | list):
        return [plain_of(item) for item in value]
    name = _NAMES.get(type(value))
    if name is None:
        return value
    made: dict[str, Any] = {"is": name}
    for field in fields(value):
        held = getattr(value, field.name)
        if field.default is MISSING or held != field.default:
            made[field.name] = plain_of(held)
    return made


def block_of(data: Any) -> Any:
    """The inverse of `plain_of`."""
    if isinstance(data, list):
        return tuple(block_of(item) for item in data)
    if not isinstance(data, dict):
        return data
    name = data["is"]
    held = {key: block_of(value) for key, value in data.items() if key != "is"}
    for key, value in held.items():
        kind = _ENUMS.get((name, key))
        if kind is not None:
            held[key] = kind(value)
    return _KINDS[name](**held)


def older_blocks(data: Mapping[str, Any]) -> tuple[Block, ...]:
    """A block as reports kept it before pages were documents."""
    match data["block"]:
        case "text":
            manner = {"list": "item"}.get(data["manner"], data["manner"])
            return tuple(Paragraph(text, Manner(manner)) for text in data["paragraphs"])
        case "table":
            columns = tuple(TableColumn(_older_head(c), c["is_number"]) for c in data["columns"])
            rows = tuple(
                tuple(_older_cell(cell, c) for cell, c in zip(row, data["columns"], strict=True))
                for row in data["rows"]
            )
            return (Table(columns, rows, data["caption"], data["note"]),)
        case "plot":
            panels = tuple(_older_panel(item) for item in data["panels"])
            kept = {key: data[key] for key in ("id", "title", "alt", "across", "note", "sql")}
            return (Plot(**kept, panels=panels, run_ids=tuple(data["run_ids"])),)
        case _:
            value = data["value"]
            found = Amount(value, data["unit"] or "1", 0.0) if value is not None else None
            return (Sql(data["name"], data["sql"], found, data["note"]),)


def _older_head(column: Mapping[str, Any]) -> str:
    return f"{column['head']} / {column['unit']}" if column["unit"] else str(column["head"])


def _older_cell(cell: Mapping[str, Any], column: Mapping[str, Any]) -> Cell:
    role = Role.of(cell["mark"])
    if cell["value"] is None:
        return Cell(cell["text"], role=role, note=cell["note"])
    scale, u = column["scale"], cell["uncertainty"]
    found = Amount(cell["value"] * scale, cell["unit"] or "1", None if u is None else u * scale)
    return Cell("", found, role, cell["note"])


def _older_panel(item: Mapping[str, Any]) -> Panel:
    lists = ("x", "y", "low", "high")
    series = tuple(Series(**{**one, **{key: tuple(one[key]) for key in lists}}) for one in item["series"])
    bands = tuple(Band(**one) for one in item["bands"])
    return Panel(**{**item, "series": series, "bands": bands, "x_words": tuple(item["x_words"])})
