"""A device sheet's TOML into a `DeviceSheet`, with every mistake named by its line.

Knows TOML text; knows no file, no catalogue and no screen. What can't be is refused, what can hardly be is
questioned, and a claim that can't be checked is kept as it was typed.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from importers.schema import KINDS, Problem
from store.errors import StoreError
from store.model.sheet import (
    BOUNDS,
    DEVICE_KINDS,
    LISTINGS,
    PORT_DIRECTIONS,
    ClaimSheet,
    DeviceSheet,
    MarkSheet,
    PortSheet,
)
from store.usb.offers import OfferError, read_offer
from store.words.toml_lines import KeyPath, line_of, locate

__all__ = ["SheetReading", "SheetRefused", "read_sheet"]

ENERGY_TOLERANCE = 0.05
"""Rated energy may differ from capacity x cell voltage by this share; chosen by us: rounding on a case is less."""

_TEXT, _NUMBER, _DATE, _EITHER = "text", "number", "date", "number or text"

_TOP: dict[str, str] = {
    "device": _TEXT,
    "kind": _TEXT,
    "maker": _TEXT,
    "model": _TEXT,
    "serial": _TEXT,
    "note": _TEXT,
    "made_on": _DATE,
}
_TABLES: dict[str, dict[str, tuple[str, str]]] = {
    "rated": {
        "capacity_mah": ("capacity_mah", _NUMBER),
        "cell_voltage_v": ("cell_voltage_v", _NUMBER),
        "energy_wh": ("rated_energy_wh", _NUMBER),
        "output_w": ("output_w", _NUMBER),
        "current_a": ("current_a", _NUMBER),
    },
    "mass_g": {
        "device": ("mass_g", _NUMBER),
        "cable": ("mass_cable_g", _NUMBER),
        "packaging": ("mass_packaging_g", _NUMBER),
    },
    "size_mm": {
        "length": ("length_mm", _NUMBER),
        "width": ("width_mm", _NUMBER),
        "height": ("height_mm", _NUMBER),
    },
    "price": {"amount": ("price", _NUMBER), "currency": ("currency", _TEXT), "on": ("price_on", _DATE)},
}
"""Table and key of the sheet to field of DeviceSheet."""

_PORT = {"name": _TEXT, "connector": _TEXT, "direction": _TEXT, "offers": "list of text"}
_MARK = {"name": _TEXT, "listing": _TEXT}
_CLAIM = {
    "quantity": _TEXT,
    "bound": _TEXT,
    "value": _EITHER,
    "unit": _TEXT,
    "tolerance_percent": _NUMBER,
    "port": _TEXT,
    "mode": _TEXT,
    "load": _TEXT,
    "kind": _TEXT,
    "ambient_c": _NUMBER,
    "condition": _TEXT,
    "printed_on": _TEXT,
    "text": _TEXT,
}
_ARRAYS = {"port": _PORT, "mark": _MARK, "claim": _CLAIM}

_LARGEST: dict[str, float] = {
    "capacity_mah": 500_000,
    "cell_voltage_v": 5,
    "rated_energy_wh": 2_000,
    "output_w": 500,
    "current_a": 5,
    "mass_g": 20_000,
    "mass_cable_g": 2_000,
    "mass_packaging_g": 5_000,
    "width_mm": 500,
    "height_mm": 500,
}
"""Above this a value is questioned; chosen by us, well above what is sold."""
_MAY_BE_ZERO = ("mass_cable_g", "mass_packaging_g", "price")


class SheetRefused(StoreError):  # noqa: N818 - named for what happened, as all of this family
    """A device sheet that can't be taken, with every reason."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(problem.message for problem in problems))
        self.problems = problems


@dataclass(frozen=True, slots=True)
class SheetReading:
    """A sheet that was read, and what a person should look at again."""

    sheet: DeviceSheet
    questions: tuple[Problem, ...] = ()
    """Values that can hardly be, each with its line."""


@dataclass(slots=True)
class _Findings:
    source: str
    lines: Mapping[KeyPath, int]
    refused: list[Problem] = field(default_factory=list)
    questions: list[Problem] = field(default_factory=list)

    def refuse(self, path: KeyPath, code: str, sentence: str) -> None:
        self.refused.append(self._problem(path, code, "error", sentence))

    def question(self, path: KeyPath, code: str, sentence: str) -> None:
        self.questions.append(self._problem(path, code, "question", sentence))

    def _problem(self, path: KeyPath, code: str, severity: str, sentence: str) -> Problem:
        line = line_of(self.lines, path)
        where = self.source or "The sheet"
        at = f"{where}, line {line}" if line else where
        return Problem(code, severity, f"{at}: {sentence}", file=self.source, line=line)


def read_sheet(text: str, source: str = "") -> SheetReading:
    """Read a device sheet.

    Args:
        text: The TOML as typed.
        source: Name of the file, for messages.

    Raises:
        SheetRefused: no TOML, an unknown key, a value of the wrong sort, or one that can't be; all of them at once.
    """
    try:
        tables = tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as problem:
        raise SheetRefused((_not_toml(problem, source),)) from problem
    find = _Findings(source, locate(text.removeprefix("\ufeff")))
    fields = _plain_fields(tables, find)
    ports = tuple(_port(row, index, find) for index, row in enumerate(_rows(tables, "port", find)))
    marks = tuple(_mark(row, index, find) for index, row in enumerate(_rows(tables, "mark", find)))
    claims = tuple(_claim(row, index, find) for index, row in enumerate(_rows(tables, "claim", find)))
    _check_ports(ports, claims, find)
    if find.refused:
        raise SheetRefused(tuple(find.refused))
    sheet = DeviceSheet(**fields, ports=ports, marks=marks, claims=claims)
    _check_energy(sheet, find)
    return SheetReading(sheet, tuple(find.questions))


def _not_toml(problem: Exception, source: str) -> Problem:
    said = str(problem)
    found = re.search(r"\(at line (\d+), column (\d+)\)", said)
    line = int(found[1]) if found else None
    at = f"{source or 'The sheet'}, line {line}" if line else source or "The sheet"
    reason = re.sub(r"\s*\(at .*\)$", "", said)
    advice = "Text stands in double quotes, numbers have a point; `joulebook device template` shows a sheet."
    return Problem("not-toml", "error", f"{at}: this is not TOML: {reason}. {advice}", file=source, line=line)


def _plain_fields(tables: Mapping[str, Any], find: _Findings) -> dict[str, Any]:
    known = {**_TOP, **dict.fromkeys(_TABLES, "table"), **dict.fromkeys(_ARRAYS, "tables")}
    _check_keys(tables, known, (), find)
    fields: dict[str, Any] = {}
    for key, sort in _TOP.items():
        if key in tables:
            fields[key] = _value(tables[key], sort, (key,), find)
    for name, keys in _TABLES.items():
        table = tables.get(name, {})
        if not isinstance(table, dict):
            find.refuse((name,), "not-a-table", f"`{name}` should be a table: write `[{name}]` and its keys below.")
            continue
        _check_keys(table, keys, (name,), find)
        for key, (target, sort) in keys.items():
            if key in table:
                fields[target] = _checked(_value(table[key], sort, (name, key), find), target, (name, key), find)
    for key in ("device", "kind"):
        if not fields.get(key):
            fields[key] = ""
            find.refuse((key,), "missing-key", f'`{key}` is missing. Write `{key} = "..."` at the top.')
    _choice(fields["kind"], DEVICE_KINDS, "kind", ("kind",), find)
    return {key: value for key, value in fields.items() if value is not None}


def _checked(value: Any, target: str, path: KeyPath, find: _Findings) -> Any:
    """Refuse what can't be (negative, zero), question what can hardly be."""
    if not isinstance(value, float):
        return value
    lowest_ok = value >= 0 if target in _MAY_BE_ZERO else value > 0
    if not lowest_ok:
        find.refuse(path, "impossible", f"`{path[-1]} = {value:g}` can't be: it should be above 0.")
    elif value > _LARGEST.get(target, math.inf):
        usual = _LARGEST[target]
        find.question(path, "unlikely", f"`{path[-1]} = {value:g}` is more than {usual:g}. Is the unit right?")
    return value


def _check_keys(table: Mapping[str, Any], known: Mapping[str, Any], path: KeyPath, find: _Findings) -> None:
    for key in table:
        if key in known:
            continue
        near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
        advice = f" Did you mean `{near[0]}`?" if near else f" Known here: {', '.join(known)}."
        where = f" in [{path[0]}]" if path else ""
        find.refuse((*path, key), "unknown-key", f"`{key}`{where} is not a key of a device sheet.{advice}")


def _rows(tables: Mapping[str, Any], name: str, find: _Findings) -> list[Mapping[str, Any]]:
    rows = tables.get(name, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        find.refuse((name,), "not-a-table", f"Each {name} is a table of its own: write `[[{name}]]` before its keys.")
        return []
    for index, row in enumerate(rows):
        _check_keys(row, _ARRAYS[name], (name, index), find)
    return rows


def _value(value: Any, sort: str, path: KeyPath, find: _Findings) -> Any:
    """A value of the wanted sort; text where text is wanted, a float for any number."""
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if sort == _TEXT and isinstance(value, str):
        return value.strip() if path[-1] != "note" else value
    if sort == _EITHER and isinstance(value, str):
        return value
    if sort in (_NUMBER, _EITHER) and is_number and math.isfinite(value):
        return float(value)
    if sort == _DATE and isinstance(value, date):
        return value.date() if isinstance(value, datetime) else value
    wanted = {_TEXT: 'text in quotes, as in "..."', _DATE: "a date, as in 2026-02-01"}.get(sort, f"a {sort}")
    find.refuse(path, "wrong-sort", f"`{path[-1]}` should be {wanted}, and is {value!r}.")
    return None


def _read_row(row: Mapping[str, Any], keys: Mapping[str, str], path: KeyPath, find: _Findings) -> dict[str, Any]:
    found = {
        key: _value(row[key], sort, (*path, key), find) for key, sort in keys.items() if key in row and sort in _SORTS
    }
    return {key: value for key, value in found.items() if value is not None}


_SORTS = (_TEXT, _NUMBER, _DATE, _EITHER)


def _choice(value: str, choices: tuple[str, ...], name: str, path: KeyPath, find: _Findings) -> None:
    if not value or value in choices:
        return
    near = difflib.get_close_matches(value.lower(), choices, n=1, cutoff=0.5)
    advice = f"Did you mean `{near[0]}`?" if near else f"Write one of: {', '.join(choices)}."
    find.refuse(path, "unknown-word", f"`{name} = {value!r}` is not known. {advice}")


def _port(row: Mapping[str, Any], index: int, find: _Findings) -> PortSheet:
    path: KeyPath = ("port", index)
    fields = _read_row(row, _PORT, path, find)
    if not fields.get("name"):
        find.refuse((*path, "name"), "missing-key", 'A port needs its marking: write `name = "C1"`.')
    _choice(fields.get("direction", ""), PORT_DIRECTIONS, "direction", (*path, "direction"), find)
    offers = row.get("offers", [])
    if not isinstance(offers, list) or not all(isinstance(text, str) for text in offers):
        find.refuse((*path, "offers"), "wrong-sort", '`offers` should be a list of text: `["fixed 5/9 V 3 A"]`.')
        offers = []
    for text in offers:
        _check_offer(text, fields.get("connector", ""), (*path, "offers"), find)
    return PortSheet(**{"name": "", **fields}, offers=tuple(text.strip() for text in offers))


def _check_offer(text: str, connector: str, path: KeyPath, find: _Findings) -> None:
    try:
        supplies = read_offer(text)
    except OfferError as problem:
        if " W at " in str(problem):
            find.refuse(path, "impossible", str(problem))
        else:
            find.question(path, "unread-offer", f"{problem} It is kept as text.")
        return
    highest = max((item.current_a or 0.0 for item in supplies), default=0.0)
    if connector.upper() == "USB-C" and highest > 5:
        find.question(path, "unlikely", f"`{text}`: a USB-C port gives 5 A at most. Is the current right?")


def _mark(row: Mapping[str, Any], index: int, find: _Findings) -> MarkSheet:
    path: KeyPath = ("mark", index)
    fields = _read_row(row, _MARK, path, find)
    if not fields.get("name"):
        find.refuse((*path, "name"), "missing-key", 'A mark needs its name as on the case: `name = "..."`.')
    _choice(fields.get("listing", ""), LISTINGS, "listing", (*path, "listing"), find)
    return MarkSheet(**{"name": "", **fields})


def _claim(row: Mapping[str, Any], index: int, find: _Findings) -> ClaimSheet:
    """A claim; what can't be checked is kept (the verdict says why), what can't be typed so is refused."""
    path: KeyPath = ("claim", index)
    fields = _read_row(row, _CLAIM, path, find)
    value = fields.pop("value", None)
    if isinstance(value, str):
        fields["value_text"] = value
    else:
        fields["value"] = value
    _choice(fields.get("bound", ""), BOUNDS, "bound", (*path, "bound"), find)
    _choice(fields.get("kind", ""), KINDS, "kind", (*path, "kind"), find)
    if (fields.get("tolerance_percent") or 0) < 0:
        find.refuse((*path, "tolerance_percent"), "impossible", "`tolerance_percent` should be 0 or more.")
    return ClaimSheet(**fields, line=line_of(find.lines, path))


def _check_ports(ports: tuple[PortSheet, ...], claims: tuple[ClaimSheet, ...], find: _Findings) -> None:
    names = [port.name for port in ports]
    for index, name in enumerate(names):
        if name and name in names[:index]:
            find.refuse(("port", index, "name"), "twice", f"Port `{name}` is described twice.")
    for index, claim in enumerate(claims):
        # A claim may be about several ports at once, written C1+A1.
        for part in (claim.port or "").split("+"):
            if part.strip() and names and part.strip() not in names:
                known = ", ".join(names)
                find.question(
                    ("claim", index, "port"),
                    "unknown-port",
                    f"Port `{part.strip()}` is not described; there are {known}.",
                )


def _check_energy(sheet: DeviceSheet, find: _Findings) -> None:
    marked, mah, volts = sheet.rated_energy_wh, sheet.capacity_mah, sheet.cell_voltage_v
    if marked is None or mah is None or volts is None:
        return
    worked = mah * volts / 1000
    if abs(marked - worked) > ENERGY_TOLERANCE * worked:
        apart = 100 * (marked - worked) / worked
        find.question(
            ("rated", "energy_wh"),
            "contradiction",
            f"`energy_wh = {marked:g}` contradicts {mah:g} mAh x {volts:g} V = {worked:.4g} Wh by {apart:+.0f} %. "
            "Is that what the case says?",
        )
