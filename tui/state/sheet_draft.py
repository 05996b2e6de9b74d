"""A device's sheet while it is typed: texts by place, the TOML they make, and which text a complaint is about.

Knows the store's sheet reader and writer, which decide what is right; no Textual. A text that is no number where one
is wanted goes to the reader as it was typed, so that the reader's own sentence is what a person reads.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

from importers.schema import KINDS
from store.devices.sheet_reader import SheetReading, SheetRefused, read_sheet
from store.devices.sheet_writer import write_sheet
from store.model.sheet import BOUNDS, DEVICE_KINDS, LISTINGS, PORT_DIRECTIONS, DeviceSheet

__all__ = ["ROWS", "TABLES", "Field", "FieldPath", "SheetDraft", "fields_of"]

FieldPath = tuple[str | int, ...]
"""Where a text stands in the sheet: `("rated", "energy_wh")`, `("port", 0, "name")`; `("device",)` at the top."""


@dataclass(frozen=True, slots=True)
class Field:
    """One text of the form."""

    key: str
    label: str
    sort: str = "text"
    """`text`, `number`, `date`, `either` or `list`."""
    hint: str = ""
    offered: tuple[str, ...] = ()


TABLES: Mapping[str, tuple[Field, ...]] = {
    "": (
        Field("device", "inventory code", hint="one sample, one code"),
        Field("kind", "kind", hint=", ".join(DEVICE_KINDS), offered=DEVICE_KINDS),
        Field("maker", "maker"),
        Field("model", "model"),
        Field("serial", "serial number"),
        Field("made_on", "made on", "date", "2026-01-31, where marked"),
        Field("note", "note"),
    ),
    "rated": (
        Field("capacity_mah", "capacity mAh", "number", "charge of the cells, as marked"),
        Field("cell_voltage_v", "cell voltage V", "number", "such as 3.85"),
        Field("energy_wh", "energy Wh", "number", "what air travel rules go by"),
        Field("output_w", "output W", "number", "an adapter's nameplate, a power bank's total"),
        Field("current_a", "current A", "number", "a cable's"),
    ),
    "mass_g": (
        Field("device", "mass g", "number", "alone, without cable"),
        Field("cable", "cable g", "number"),
        Field("packaging", "packaging g", "number"),
    ),
    "size_mm": (
        Field("length", "length mm", "number"),
        Field("width", "width mm", "number"),
        Field("height", "height mm", "number"),
    ),
    "price": (
        Field("amount", "price", "number"),
        Field("currency", "currency", hint="such as EUR"),
        Field("on", "price of", "date", "2026-01-31"),
    ),
}
"""Facts of which a device has one each, by their table in the sheet."""

ROWS: Mapping[str, tuple[Field, ...]] = {
    "port": (
        Field("name", "marking", hint="C1, A1; mains for an AC side"),
        Field("connector", "connector", hint="USB-C"),
        Field("direction", "direction", hint=", ".join(PORT_DIRECTIONS), offered=PORT_DIRECTIONS),
        Field("offers", "advertises", "list", "fixed 5/9/20 V 3 A; PPS 3.3-21 V 3 A; 0x0001912C"),
    ),
    "mark": (
        Field("name", "mark on the case"),
        Field("listing", "its listing", hint=", ".join(LISTINGS), offered=LISTINGS),
    ),
    "claim": (
        Field("quantity", "quantity", hint="energy_out_wh, mass_g, rated_energy_wh, offers, flight"),
        Field("bound", "bound", hint=", ".join(BOUNDS), offered=BOUNDS),
        Field("value", "value", "either"),
        Field("unit", "unit"),
        Field("tolerance_percent", "tolerance %", "number", "with about"),
        Field("port", "port", hint="C1; C1+A1 for several at once"),
        Field("mode", "mode", hint="fixed 20 V"),
        Field("load", "load", hint="30 W"),
        Field("kind", "kind of test", hint="discharge, recharge ...", offered=KINDS),
        Field("ambient_c", "room \N{DEGREE SIGN}C", "number"),
        Field("condition", "condition", hint="as printed"),
        Field("printed_on", "printed on", hint="case, box, listing"),
        Field("text", "word for word", hint="for a claim that is not a number"),
    ),
}
"""Things of which a device has several."""

_NUMBER = re.compile(r"[-+]?\d+(\.\d+)?")
_COMMA = re.compile(r"([-+]?\d+),(\d{1,2}|\d{4,})")
"""A decimal comma; with three digits after it, it might part thousands: the reader asks then."""


def fields_of(place: FieldPath) -> tuple[Field, ...]:
    """The fields of a table or of a row: of `("rated",)`, `("port", 0)`, `("",)`."""
    name = str(place[0])
    return ROWS[name] if name in ROWS else TABLES[name]


def _written(text: str, sort: str) -> str:
    """A text as TOML; a number or date without quotes only where it is one."""
    comma = _COMMA.fullmatch(text)
    if sort in {"number", "either"} and (_NUMBER.fullmatch(text) or comma):
        return f"{comma[1]}.{comma[2]}".removeprefix("+") if comma else text.removeprefix("+")
    if sort == "date":
        try:
            return date.fromisoformat(text).isoformat()
        except ValueError:
            return _quoted(text)
    if sort == "list":
        return "[" + ", ".join(_quoted(part.strip()) for part in text.split(";") if part.strip()) + "]"
    return _quoted(text)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _shown(value: object) -> str:
    if isinstance(value, list):
        return "; ".join(str(item) for item in value)
    return f"{value:.12g}" if isinstance(value, float) else str(value)


@dataclass(slots=True)
class SheetDraft:
    """Texts of a sheet by place, and the sheet that they began with."""

    texts: dict[FieldPath, str] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(ROWS, 0))
    before: DeviceSheet | None = None
    """What the library holds; None for a new device."""

    @classmethod
    def of(cls, sheet: DeviceSheet | None, device: str = "") -> SheetDraft:
        """A draft of a sheet, or an empty one."""
        draft = cls(before=sheet)
        if sheet is None:
            draft.texts[("device",)] = device
            return draft
        tables = tomllib.loads(write_sheet(sheet))
        for key, value in tables.items():
            if key in ROWS:
                draft.counts[key] = len(value)
                for index, row in enumerate(value):
                    draft.texts |= {(key, index, name): _shown(of) for name, of in row.items()}
            elif isinstance(value, dict):
                draft.texts |= {(key, name): _shown(of) for name, of in value.items()}
            else:
                draft.texts[(key,)] = _shown(value)
        return draft

    def copy(self) -> SheetDraft:
        """A draft to try something out on."""
        return SheetDraft(dict(self.texts), dict(self.counts), self.before)

    @property
    def is_changed(self) -> bool:
        """Whether it says something else than the library."""
        began = SheetDraft.of(self.before)
        return self.said() != began.said()

    def said(self) -> dict[FieldPath, str]:
        """What stands there, without blanks around it and without what is empty."""
        return {place: text.strip() for place, text in self.texts.items() if text.strip()}

    def text(self, place: FieldPath) -> str:
        """What stands at a place; empty where nothing does."""
        return self.texts.get(place, "")

    def group(self, place: FieldPath) -> dict[str, str]:
        """The texts of a table or row by their keys."""
        return {of.key: self.text(_inside(place, of.key)) for of in fields_of(place)}

    def put(self, place: FieldPath, texts: Mapping[str, str]) -> None:
        """Take the texts of a table or row."""
        for key, text in texts.items():
            self.texts[_inside(place, key)] = text

    def add(self, name: str) -> FieldPath:
        """Begin another port, mark or claim; gives its place."""
        self.counts[name] += 1
        return (name, self.counts[name] - 1)

    def remove(self, place: FieldPath) -> None:
        """Take a port, mark or claim away; those after it move up."""
        name, index = str(place[0]), int(place[1])
        kept: dict[FieldPath, str] = {}
        for at, text in self.texts.items():
            if at[0] != name or len(at) < 3:
                kept[at] = text
            elif int(at[1]) != index:
                kept[(name, int(at[1]) - (int(at[1]) > index), at[2])] = text
        self.texts = kept
        self.counts[name] -= 1

    # the sheet
    def written(self) -> tuple[str, dict[int, FieldPath]]:
        """The sheet as TOML, and the place of each of its lines."""
        lines: list[str] = []
        places: dict[int, FieldPath] = {}

        def write(text: str, place: FieldPath) -> None:
            lines.append(text)
            places[len(lines)] = place

        for name, fields in TABLES.items():
            self._write_table(write, f"[{name}]" if name else "", (name,), fields)
        for name, fields in ROWS.items():
            for index in range(self.counts[name]):
                self._write_table(write, f"[[{name}]]", (name, index), fields)
        return "\n".join(lines) + "\n", places

    def _write_table(self, write: object, head: str, place: FieldPath, fields: Iterable[Field]) -> None:
        said = [(of, text) for of in fields if (text := self.text(_inside(place, of.key)).strip())]
        if head and (said or len(place) > 1):
            write(head, place)  # type: ignore[operator]
        for of, text in said:
            write(f"{of.key} = {_written(text, of.sort)}", _inside(place, of.key))  # type: ignore[operator]

    def read(self) -> SheetReading:
        """The sheet, by the library's own reader.

        Raises:
            SheetRefused: It can't be; `complaints` says which text is meant.
        """
        return read_sheet(self.written()[0])

    def complaints(self) -> dict[FieldPath, str]:
        """What the reader refuses or doubts, by the place it is about; `()` for the sheet as a whole."""
        text, places = self.written()
        try:
            problems = read_sheet(text).questions
        except SheetRefused as refused:
            problems = refused.problems
        found: dict[FieldPath, str] = {}
        for problem in problems:
            place = places.get(problem.line or 0, ())
            found.setdefault(_missing_key(problem.message, place), _without_line(problem.message))
        return found


def _inside(place: FieldPath, key: str) -> FieldPath:
    return (key,) if place == ("",) else (*place, key)


def _missing_key(message: str, place: FieldPath) -> FieldPath:
    """A required text that is not there stands on no line: its name is in the sentence."""
    missing = re.search(r"`(device|kind)` is missing", message)
    if missing:
        return (missing[1],)
    return (*place, "name") if len(place) == 2 and isinstance(place[1], int) and "needs its" in message else place


def _without_line(message: str) -> str:
    return re.sub(r"^The sheet(, line \d+)?: ", "", message)
