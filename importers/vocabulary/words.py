"""The vocabulary: what exports call quantities, roles and units, as data in TOML files that a person can extend.

Knows the files in `vocabulary/` and text. Knows no table and no number of an export.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from importers.problems import ProfileInvalid

__all__ = ["Unit", "Vocabulary", "load_vocabulary", "normalise", "plain_signs", "shipped_vocabulary", "tokens"]

_PLAIN = str.maketrans({"ı": "i", "ł": "l", "Ł": "L", "ø": "o", "ß": "ss", "æ": "ae", "œ": "oe", "\u2019": "'"})
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z]{2,})")
_TOKEN = re.compile(r"d[+\-](?![a-z0-9])|[^\W\d_]+|\d+")
_ALIKE = str.maketrans(
    dict.fromkeys("\u02da\u00ba\u2218\u2070", "\u00b0")
    | dict.fromkeys("\u3010\u3014\u300c", "[")
    | dict.fromkeys("\u3011\u3015\u300d", "]")
    | dict.fromkeys("\u3008\u300a", "<")
    | dict.fromkeys("\u3009\u300b", ">")
    | dict.fromkeys("\u22c5\u2219\u2022\u30fb\u00d7", "\u00b7")
    | dict.fromkeys("\u2002\u2003\u2009\u200a", " ")
    | dict.fromkeys("\u200b\ufeff", "")
)
"""Signs that stand for one another in labels, beside those that Unicode's compatibility form (NFKC) joins."""
_LETTERS = str.maketrans("АВСКМНТасмчκΑΒΚΜ", "AVCKMHTacmhkABKM")
"""Letters of other alphabets that are drawn as Latin ones are; a Cyrillic Ve stands for volts."""
_CJK = re.compile(r"[\u2e80-\u9fff\uac00-\ud7af\uf900-\ufaff]")


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit that exports print."""

    symbol: str
    quantity: str
    factor: float
    """Value in the channel's unit = factor x value + offset."""
    offset: float
    ucum: str


@lru_cache(maxsize=4096)
def plain_signs(text: str) -> str:
    """Write full-width forms, other brackets, rings and points of a label as the usual ones."""
    return text if text.isascii() else unicodedata.normalize("NFKC", text.translate(_ALIKE)).translate(_ALIKE)


@lru_cache(maxsize=4096)
def normalise(text: str) -> str:
    """Bring a label to comparable form: NFKC, no accents, no case."""
    text = unicodedata.normalize("NFKC", text).translate(_PLAIN)
    if text.isascii():
        return text.casefold()
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return unicodedata.normalize("NFC", bare).casefold()


@lru_cache(maxsize=4096)
def tokens(text: str) -> tuple[str, ...]:
    """Split a label into normalised words: at separators, digits and camel case; `D+` and `D-` stay whole."""
    text = unicodedata.normalize("NFKC", text).translate(_PLAIN)
    return tuple(_TOKEN.findall(normalise(_CAMEL.sub(" ", text))))


@dataclass(frozen=True, eq=False)
class Vocabulary:
    """Words by what they mean."""

    quantities: Mapping[tuple[str, ...], str]
    roles: Mapping[tuple[str, ...], str]
    ignored: frozenset[str]
    preamble: Mapping[tuple[str, ...], str]
    kinds: Mapping[str, str]
    missing: frozenset[str]
    overload: frozenset[str]
    end: frozenset[str]
    units: Mapping[str, Unit]
    """By exact spelling."""
    loose_units: Mapping[str, Unit]
    """By spelling without case, where only one unit has it."""
    longest: int
    """Tokens in the longest phrase."""
    spelled: frozenset[str] = frozenset()
    """All words as they are written, accents included, without case: tells code pages apart."""

    def unit(self, text: str) -> tuple[Unit, bool] | None:
        """Find a unit; the flag is False where only the letters' case differs."""
        text = _unit_spelling(text).strip().rstrip(".")
        if (found := self.units.get(text)) is not None:
            return found, True
        latin = text if text.isascii() else text.translate(_LETTERS)
        if (found := self.units.get(latin)) is not None:
            return found, True
        if (found := self.loose_units.get(text.casefold())) is not None:
            return found, False
        return None if text.isascii() or latin == text else self.unit(latin)


def _unit_spelling(text: str) -> str:
    return plain_signs(text).replace("μ", "µ").replace("Ω", "Ω")


def _phrases(table: Mapping[str, Iterable[str]]) -> dict[tuple[str, ...], str]:
    return {tokens(word): meaning for meaning, words in table.items() for word in words if tokens(word)}


def _unit_table(tables: list[dict[str, Any]]) -> tuple[dict[str, Unit], dict[str, Unit]]:
    exact: dict[str, Unit] = {}
    loose: dict[str, list[Unit]] = {}
    for table in tables:
        unit = Unit(
            str(table["symbol"]),
            str(table["quantity"]),
            float(table["factor"]),
            float(table.get("offset", 0.0)),
            str(table["ucum"]),
        )
        for name in (unit.symbol, *table.get("also", ())):
            spelled = _unit_spelling(name)
            exact[spelled] = unit
            loose.setdefault(spelled.casefold(), []).append(unit)
    return exact, {name: units[0] for name, units in loose.items() if len(set(units)) == 1}


def _merge(documents: Iterable[Mapping[str, Any]]) -> Vocabulary:
    quantities: dict[tuple[str, ...], str] = {}
    roles: dict[tuple[str, ...], str] = {}
    preamble: dict[tuple[str, ...], str] = {}
    kinds: dict[str, str] = {}
    cells: dict[str, set[str]] = {"missing": set(), "overload": set(), "end": set()}
    ignored: set[str] = set()
    units: list[dict[str, Any]] = []
    spelled: set[str] = set()
    for document in documents:
        spelled.update(_spelled(document))
        quantities = {**_phrases(document.get("quantities", {})), **quantities}
        roles = {**_phrases(document.get("roles", {})), **roles}
        preamble = {**_phrases(document.get("preamble", {})), **preamble}
        kinds.update({normalise(w): kind for kind, words in document.get("kinds", {}).items() for w in words})
        ignored.update(t for w in document.get("ignore", {}).get("words", ()) for t in tokens(w))
        for name, found in cells.items():
            found.update(normalise(word) for word in document.get("cells", {}).get(name, ()))
        units.extend(document.get("unit", ()))
    exact, loose = _unit_table(units)
    return Vocabulary(
        quantities,
        roles,
        frozenset(ignored),
        preamble,
        kinds,
        frozenset(cells["missing"]),
        frozenset(cells["overload"]),
        frozenset(cells["end"]),
        exact,
        loose,
        max(len(phrase) for phrase in (*quantities, *roles)),
        frozenset(spelled),
    )


def _spelled(document: Mapping[str, Any]) -> set[str]:
    """Words of a document as they are written, without case."""
    tables = [document.get(name, {}) for name in ("quantities", "roles", "preamble", "kinds", "ignore", "cells")]
    phrases = [phrase for table in tables for words in table.values() for phrase in words]
    return {word.casefold() for phrase in phrases for word in phrase.split()}


_ORDER = (
    "units",
    "en",
    "de",
    "fr",
    "es",
    "it",
    "pt",
    "nl",
    "pl",
    "zh",
    "ja",
    "ru",
    "uk",
    "tr",
    "cs",
    "hu",
    "sv",
    "fi",
    "el",
    "ko",
)


def _shipped_documents() -> list[dict[str, Any]]:
    folder = resources.files("importers") / "vocabulary"
    return [tomllib.loads((folder / f"{name}.toml").read_text(encoding="utf-8")) for name in _ORDER]


@lru_cache(maxsize=1)
def shipped_vocabulary() -> Vocabulary:
    """Words that ship with the program: nineteen languages and the units."""
    return _merge(_shipped_documents())


def load_vocabulary(folder: Path) -> Vocabulary:
    """Add a person's own word files (`*.toml` of the shipped form) to the shipped ones.

    Raises:
        ProfileInvalid: a file is not TOML or not of that form.
    """
    documents = _shipped_documents()
    for file in sorted(folder.glob("*.toml")):
        try:
            documents.append(tomllib.loads(file.read_text(encoding="utf-8-sig")))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise ProfileInvalid.at(file.name, f"its words can't be read ({error})") from error
    try:
        return _merge(documents)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise ProfileInvalid.at(str(folder), f"a word file is not of the expected form ({error!r})") from error


def is_cjk(text: str) -> bool:
    """Tell whether a text holds Chinese, Japanese or Korean characters."""
    return _CJK.search(text) is not None
