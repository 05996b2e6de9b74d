"""Lines of key=value -> a table with a column for each key. Knows lines and the vocabulary's words for a clock."""

from __future__ import annotations

import re

from importers.problems import ImportRefused
from importers.text.cellkinds import cell_kind
from importers.text.recast.recast import Recast, table_text
from importers.vocabulary.labels import read_label
from importers.vocabulary.words import Vocabulary

__all__ = ["has_pairs", "pairs_as_table"]

FORM = "lines of key=value"
_SEPARATORS = (r"\t+", r"\s*;\s*", r"\s*\|\s*", r",\s+", r",", r"\s+")
_PAIR = re.compile(r"^\s*\"?([^\W\d][\w .+\-/%°()\[\]]{0,40}?)\"?\s*([=:])\s*(.*?)\s*$")
_CLOCKS = frozenset({"elapsed", "wall_clock", "date", "sample"})
_MOST_KEYS = 200


def has_pairs(head: str) -> bool:
    """Tell whether a text's first lines are pairs of keys and values."""
    lines = _first(head)
    return len(lines) >= 2 and _separator(lines) is not None


def _first(text: str) -> list[str]:
    return [s for s in (line.strip() for line in text.splitlines()[:80]) if s and not s.startswith(("#", "//"))][:40]


def _separator(lines: list[str]) -> str | None:
    """What stands between the pairs of a line: the first that leaves two pairs or more in nearly every line."""
    marked = [line for line in lines if "=" in line or ":" in line]
    if len(marked) < 0.8 * len(lines):
        return None
    for separator in _SEPARATORS:
        good = 0
        for line in lines:
            found = [_PAIR.match(piece) for piece in re.split(separator, line) if piece]
            paired = sum(m is not None and bool(re.search(r"\d", m.group(3))) for m in found)
            values_whole = all(m is None or "=" not in m.group(3) for m in found)
            # a bare clock in front may be cut in two by the separator
            good += paired >= 2 and values_whole and len(found) - paired <= 2
        if good >= 0.8 * len(lines):
            return separator
    return None


def pairs_as_table(text: str, words: Vocabulary, file: str) -> Recast:
    """Make the table.

    Raises:
        ImportRefused: no key and no value is a time.
    """
    separator = _separator(_first(text)) or r"\s+"
    keys: dict[str, int] = {}
    rows: list[dict[int, str] | str] = []
    lines: list[int] = []
    for number, line in enumerate(text.split("\n"), 1):
        stripped = line.strip()
        if not stripped or stripped.startswith(("#", "//")):
            continue
        row = _row(stripped, separator, keys)
        rows.append(row if len(row) > 1 or len(keys) < 2 else stripped)
        lines.append(number)
    if len(keys) > _MOST_KEYS:
        raise ImportRefused.because(
            "too-wide", f"{file} holds lines of key=value with more than {_MOST_KEYS} keys. Export fewer.", file=file
        )
    _refuse_no_clock(keys, rows, words, file)
    names = [name or "time" for name in keys]
    table = [[row] if isinstance(row, str) else [row.get(i, "") for i in range(len(names))] for row in rows]
    return Recast(FORM, table_text([names, *table]), lines=(lines[0] if lines else 1, *lines))


def _row(line: str, separator: str, keys: dict[str, int]) -> dict[int, str]:
    """Values of one line by the number of their key; values without a key, joined, under the empty one."""
    found: dict[int, str] = {}
    bare: list[str] = []
    for piece in re.split(separator, line):
        match = _PAIR.match(piece)
        if match is None:
            if piece:
                bare.append(piece)
            continue
        found[keys.setdefault(match.group(1).strip(), len(keys))] = match.group(3).strip('"')
    if bare:
        found[keys.setdefault("", len(keys))] = " ".join(bare).strip("[](){}: ")
    return found


def _refuse_no_clock(keys: dict[str, int], rows: list[dict[int, str] | str], words: Vocabulary, file: str) -> None:
    said = {read_label(key, "", words).quantity for key in keys}
    first = next((row for row in rows if isinstance(row, dict)), {})
    kinds = {cell_kind(value, words) for value in first.values()} if isinstance(first, dict) else set()
    if not said & _CLOCKS and not kinds & {"date", "time", "datetime"}:
        named = ", ".join(f"`{k}`" for k in list(keys)[:6] if k)
        raise ImportRefused.because(
            "no-time",
            f"The lines of {file} are key=value with no time: {named}. Export it with a time or a sample number.",
            file=file,
        )
