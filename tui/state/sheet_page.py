"""A sheet that is being written, as rows: a fact, a port, a mark or a claim each, with what the reader says of it.

Knows the draft and text; no Textual.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

from store.model.sheet import ClaimSheet
from tui.render.plain import fit, plain
from tui.state.lines import Line, line
from tui.state.look import Look
from tui.state.sheet_draft import ROWS, TABLES, FieldPath, SheetDraft

__all__ = ["SheetRow", "sheet_rows"]

NAMES = 18
"""Cells for the names of facts."""

_TITLES = {"": "device", "rated": "as marked", "mass_g": "mass", "size_mm": "size", "price": "price"}
_WORDS = {"port": "port", "mark": "mark", "claim": "claim"}


@dataclass(frozen=True, slots=True)
class SheetRow:
    """A line of the page, and what Enter on it writes."""

    text: Line
    place: FieldPath = ()
    """The table or row that is written; empty for a line that only says something."""
    key: str = ""
    """The field to begin with."""
    adds: str = ""
    """`port`, `mark` or `claim` where Enter begins another one."""


def sheet_rows(draft: SheetDraft, look: Look, width: int) -> list[SheetRow]:
    """All rows of a draft, each complaint under what it is about."""
    complaints = draft.complaints()
    rows: list[SheetRow] = _of(complaints, (), look, width)
    for name, fields in TABLES.items():
        for number, of in enumerate(fields):
            place: FieldPath = (name, of.key) if name else (of.key,)
            text = plain(draft.text(place), ascii_only=look.is_ascii)
            found = (text, "") if text else (plain(of.hint, ascii_only=look.is_ascii), "dim")
            title = fit(_TITLES[name] if number == 0 else "", 10)
            head = line((title, "head"), (fit(look.signs.unit(of.label), NAMES), "dim"), "  ", found)
            rows.append(SheetRow(head, (name,), of.key))
            rows += _of(complaints, place, look, width)
    for name, fields in ROWS.items():
        for index in range(draft.counts[name]):
            place = (name, index)
            name_of = fit(f"{_WORDS[name]} {index + 1}", 10)
            rows.append(SheetRow(line((name_of, "head"), _words(draft, place, look)), place, fields[0].key))
            for at in (place, *((*place, of.key) for of in fields)):
                rows += _of(complaints, at, look, width)
        more = "another" if draft.counts[name] else "a"
        rows.append(SheetRow(line(" " * 10, (f"+ {more} {_WORDS[name]}", "dim")), adds=name))
    return rows


def _of(complaints: dict[FieldPath, str], place: FieldPath, look: Look, width: int) -> list[SheetRow]:
    return _complaint_rows(complaints[place], look, width) if place in complaints else []


def _complaint_rows(text: str, look: Look, width: int) -> list[SheetRow]:
    parts = textwrap.wrap(plain(text, ascii_only=look.is_ascii), max(width - 14, 20)) or [""]
    return [SheetRow(line(" " * 10, (("! " if i == 0 else "  ") + part, "warn"))) for i, part in enumerate(parts)]


def _words(draft: SheetDraft, place: FieldPath, look: Look) -> str:
    """A port, mark or claim in one line."""
    texts = {key: text.strip() for key, text in draft.group(place).items()}
    if place[0] == "claim":
        claim = ClaimSheet(
            **{k: v for k, v in texts.items() if k in _CLAIM_TEXTS},  # type: ignore[arg-type]
            value_text=texts["value"],
            port=texts["port"] or None,
            mode=texts["mode"] or None,
            load=texts["load"] or None,
            kind=texts["kind"] or None,
        )
        words = claim.words() or "nothing stated yet"
        return plain(f"{words}  on {claim.printed_on}" if claim.printed_on else words, ascii_only=look.is_ascii)
    said = [text for text in texts.values() if text]
    return plain("  ".join(said) or "nothing stated yet", ascii_only=look.is_ascii)


_CLAIM_TEXTS = ("quantity", "bound", "unit", "condition", "printed_on", "text")
