"""Facts of the files on the import screen, as a table: what holds for each, what its log suggests, what contradicts it.

Knows looks at logs and text; no Textual, reads no file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from importers.schema import Facts
from store.errors import WrongFact
from store.imports.guesses import LogLook, contradicted_facts
from store.model.sheet import DeviceSheet
from store.runs.fact_values import checked_fact
from tui.render.plain import cut, fit, plain, width_of
from tui.state.lines import Line, Span, line

__all__ = ["COLUMNS", "ROOMY", "FactCell", "FactTable", "checked_text", "facts_of", "names_cut"]

COLUMNS: dict[str, tuple[str, int]] = {
    "device": ("device", 8),
    "port": ("port", 5),
    "mode": ("mode", 12),
    "kind": ("kind", 11),
    "load": ("load", 7),
    "ambient_c": ("room", 7),
    "meter": ("meter", 6),
    "started": ("start", 16),
    "note": ("note", 16),
}
"""Facts that can be stated of a file: head and width of their columns."""
_CATALOGUE = {"load": "load_set", "started": "started_at"}
ROOMY = 110
"""Cells from which on the table says in full what became of a file."""


@dataclass(frozen=True, slots=True)
class FactCell:
    """A fact of a file."""

    text: str
    is_guess: bool = False
    reason: str = ""
    """Why it is proposed, or what contradicts it."""
    is_contradicted: bool = False
    is_own: bool = False
    """Stated for this file alone."""


def checked_text(name: str, text: str) -> str:
    """A fact as it will be stored, from what was typed.

    Raises:
        WrongFact: A value that it can't have.
    """
    if not text:
        return ""
    if name == "started":
        try:
            return datetime.fromisoformat(text).isoformat(" ", "minutes" if len(text) <= 16 else "auto")
        except ValueError:
            raise WrongFact(f"{text} is no date and time. Write 2026-02-11 14:03.") from None
    value = checked_fact(_CATALOGUE.get(name, name), text)
    return f"{value:g}" if isinstance(value, float) else str(value or "")


def facts_of(texts: Mapping[str, str]) -> Facts:
    """Texts as an import takes them."""
    stated = {name: text for name, text in texts.items() if text}
    ambient, started = stated.pop("ambient_c", ""), stated.pop("started", "")
    return Facts(
        **stated,  # type: ignore[arg-type]
        ambient_c=float(ambient.replace(",", ".")) if ambient else None,
        started=datetime.fromisoformat(started) if started else None,
    )


@dataclass(slots=True)
class FactTable:
    """What is known of the devices, and which column is chosen."""

    sheets: Mapping[str, DeviceSheet] = field(default_factory=dict)
    offered: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """Values that occur in the library, by fact."""
    stated: dict[str, str] = field(default_factory=dict)
    """For all files."""
    column: int = 0

    @property
    def name(self) -> str:
        """The chosen fact."""
        return list(COLUMNS)[self.column]

    def move(self, step: int) -> None:
        """Choose another column."""
        self.column = min(max(self.column + step, 0), len(COLUMNS) - 1)

    def cells(self, own: Mapping[str, str], look: LogLook | None) -> dict[str, FactCell]:
        """Every fact of a file: its own, else what is stated for all, else what the file says, else a proposal."""
        found: dict[str, FactCell] = {}
        for name in COLUMNS:
            if name in own:
                found[name] = FactCell(own[name], is_own=True)
            elif self.stated.get(name):
                found[name] = FactCell(self.stated[name])
            elif look is not None:
                found[name] = _seen(name, look)
            else:
                found[name] = FactCell("")
        if look is not None:
            texts = {name: cell.text for name, cell in found.items() if not cell.is_guess}
            for name, why in contradicted_facts(look, texts, self.sheets).items():
                found[name] = FactCell(found[name].text, False, why, True, found[name].is_own)
        return found

    def offers(self, name: str, cells: Mapping[str, FactCell]) -> list[str]:
        """Values to pick from: what the device's sheet offers, then what occurs in the library."""
        sheet = self.sheets.get(cells["device"].text)
        first: list[str] = []
        if name == "device":
            first = list(self.sheets)
        elif name == "port" and sheet is not None:
            first = [port.name for port in sheet.ports]
        elif name == "mode" and sheet is not None:
            first = _modes(sheet, cells["port"].text)
        return list(dict.fromkeys([*first, *self.offered.get(name, ())]))

    def shown_columns(self, room: int) -> list[str]:
        """The columns that fit, the chosen one among them."""
        names = list(COLUMNS)
        first = 0
        while first < self.column and _width(names[first : self.column + 1]) > room:
            first += 1
        last = self.column + 1
        while last < len(names) and _width(names[first : last + 1]) <= room:
            last += 1
        return names[first:last]

    def head_line(self, names: int, width: int) -> Line:
        """Heads of the columns; the chosen one is marked.

        Args:
            names: Cells for the names of files.
            width: Cells of a row.
        """
        parts: list[Span | str] = ["    ", (fit("file", names), "head")]
        for name in self.shown_columns(_room(names, width)):
            head, wide = COLUMNS[name]
            parts += [" ", (fit(head, wide), "accent" if name == self.name else "head")]
        return line(*parts, " ", ("state", "head"))

    def row_line(
        self, shown: tuple[str, str], cells: Mapping[str, FactCell], state: tuple[str, str], *, names: int, width: int,
        is_here: bool, ascii_only: bool,
    ) -> Line:  # fmt: skip
        """One file.

        Args:
            shown: The bracket of what belongs together, and the file's name.
            cells: Its facts.
            state: What became of it, with a role.
            names: Cells for the name.
            width: Cells in all.
            is_here: Whether the cursor stands on it, so that the chosen cell is marked.
            ascii_only: For terminals without Unicode.
        """
        bracket, name = shown
        parts: list[Span | str] = [fit(bracket, 2), fit(names_cut(plain(name, ascii_only=ascii_only), names), names)]
        used = 2 + names
        for column in self.shown_columns(_room(names, width)):
            cell, wide = cells[column], COLUMNS[column][1]
            text = plain(cell.text, ascii_only=ascii_only)
            mark = " ?" if cell.is_guess else "!" if cell.is_contradicted else ""
            text = cut(text, wide - len(mark), ellipsis="~" if ascii_only else "…") + mark
            role = "warn" if cell.is_contradicted else "dim" if cell.is_guess else ""
            if is_here and column == self.name:
                text, role = text or "-", role or "accent"
            parts += [" ", (fit(text, wide), role)]
            used += 1 + wide
        words, role = state
        return line(*parts, " ", (cut(words, max(width - used - 1, 0), ellipsis="~" if ascii_only else "…"), role))


def _seen(name: str, look: LogLook) -> FactCell:
    if name == "started":
        return FactCell(look.started)
    told = getattr(look.stated, name, None)
    if told is not None:
        return FactCell(f"{told:g}" if isinstance(told, float) else str(told))
    guess = look.guesses.get(name)
    return FactCell(guess.value, is_guess=True, reason=guess.reason) if guess else FactCell("")


def _modes(sheet: DeviceSheet, port: str) -> list[str]:
    from store.usb.offers import OfferError, read_offer  # noqa: PLC0415 (only where a mode is asked for)

    found: list[str] = []
    for described in sheet.ports:
        if port and described.name != port:
            continue
        for text in described.offers:
            try:
                offers = read_offer(text)
            except OfferError:
                continue
            for offer in offers:
                span = (
                    f"{offer.lowest_v:g}"
                    if offer.lowest_v == offer.highest_v
                    else (f"{offer.lowest_v:g}-{offer.highest_v:g}")
                )
                found.append(f"{offer.supply} {span} V".strip())
    return list(dict.fromkeys(found))


def _room(names: int, width: int) -> int:
    """Cells for the facts: what the name and the state of the file leave."""
    return width - names - 4 - (28 if width >= ROOMY else 12)


def _width(names: Sequence[str]) -> int:
    return sum(1 + COLUMNS[name][1] for name in names)


def names_cut(name: str, width: int) -> str:
    """A long name keeps its end, where names differ."""
    if width_of(name) <= width:
        return name
    head = max(width // 3, 1)
    tail = width - head - 1
    return f"{name[:head]}~{name[-tail:]}" if tail > 0 else cut(name, width)
