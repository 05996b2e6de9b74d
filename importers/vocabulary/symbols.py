"""Letter symbols in a column's words: `U`, `Iout`, `DCV`, `Meas I`, `T_case`.

Knows text and the vocabulary. What a unit beside the letter makes of it is settled in `labels`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from importers.vocabulary.words import Vocabulary, normalise

__all__ = ["Symbol", "symbol_in"]

LETTERS = {
    "U": "voltage",
    "V": "voltage",
    "I": "current",
    "P": "power",
    "E": "energy",
    "Q": "charge",
    "T": "temperature",
    "θ": "temperature",
    "ϑ": "temperature",
    "R": "resistance",
    "f": "frequency",
    "λ": "power_factor",
    "t": "elapsed",
    "u": "voltage",
    "v": "voltage",
    "i": "current",
    "p": "power",
    "e": "energy",
    "q": "charge",
    "A": "current",
    "a": "current",
    "W": "power",
    "w": "power",
    "C": None,
}
"""What a letter stands for by IEC 60027-1 (from memory) and habit; a lone C only by its unit."""
_PART = re.compile(r"[^\W\d_]+|\d+")
_DIRECT = re.compile(r"^(dc|ac)[ _]?([vaiwpu])$", re.IGNORECASE)
_PLACED = frozenset({"bus", "usb"})
"""Words that are places behind a letter (`Pbus`), though they are quantities alone."""


@dataclass(frozen=True, slots=True)
class Symbol:
    """A letter symbol and what stands beside it."""

    letter: str
    quantity: str | None
    role: str | None = None
    mains: str | None = None
    """`ac` or `dc`."""
    index: str = ""


@lru_cache(maxsize=8192)
def symbol_in(text: str, words: Vocabulary) -> Symbol | None:
    """Find the one letter symbol of a label in which all else is a place, a number or a word without meaning."""
    found: list[Symbol] = []
    role, mains, index = None, None, ""
    for part in _PART.findall(text):
        if part.isdigit():
            index = part
            continue
        if (symbol := _symbol_of(part, words)) is not None:
            found.append(symbol)
            continue
        place = _place_of(part, words)
        if place is None:
            return None
        if place in {"ac", "dc"}:
            mains = place
        elif place:
            role = place
    if len(found) > 1 and len({s.quantity for s in found}) == 1:  # `A A`
        found = found[:1]
    if len(found) != 1:
        return None
    one = found[0]
    return Symbol(one.letter, one.quantity, one.role or role, one.mains or mains, index)


def _symbol_of(part: str, words: Vocabulary) -> Symbol | None:
    """Read one word as a letter, alone or with its place behind it."""
    if len(part) == 1:
        return Symbol(part, LETTERS[part]) if part in LETTERS else None
    if direct := _DIRECT.match(part):
        letter = direct.group(2).upper()
        return Symbol(letter, LETTERS[letter], mains=direct.group(1).lower())
    if part[0] not in LETTERS or part[0] == "C" or _place_of(part, words) is not None:
        return None
    place = _place_of(part[1:], words) if len(part) > 3 or part[1:].lower() == "in" else None
    if place is None:
        return None
    return Symbol(part[0], LETTERS[part[0]], place or None)


def _place_of(part: str, words: Vocabulary) -> str | None:
    """A word's role, empty for one without meaning; None where it is neither."""
    word = normalise(part)
    if (role := words.roles.get((word,))) is not None:
        return role
    return "" if word in words.ignored or word in _PLACED else None
