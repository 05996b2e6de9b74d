"""Single lines of an export: cells by a delimiter, `key: value` above a table, marks of its end.

Knows text and the vocabulary's words for an end. Knows no table.
"""

from __future__ import annotations

import re

from importers.text.quoting import quoted_cells
from importers.vocabulary.words import Vocabulary, normalise, tokens

__all__ = ["SPACE", "SPACES", "is_end_mark", "key_values", "split_line"]

SPACES = "  "
"""Delimiter value that stands for runs of two or more spaces."""
SPACE = " "
"""Delimiter value that stands for runs of one or more spaces."""
_KEY = re.compile(r"^\s*[#;/*'\"!%>\-]*\s*([^:=\t]{1,40}?)\s*(?:[:=]|\t)\s*(.*?)\s*$")


def split_line(line: str, delimiter: str) -> list[str]:
    """Split one line into cells; quotes by RFC 4180."""
    if delimiter == SPACES:
        return re.split(r" {2,}|\t", line.strip())
    if delimiter == SPACE:
        return line.split()
    return quoted_cells(line, delimiter) if '"' in line else line.split(delimiter)


def key_values(preamble: tuple[str, ...], delimiter: str) -> list[tuple[int, str, str]]:
    """Read `key: value`, `key = value`, `key;value` lines of a preamble: (line, key, value)."""
    found = []
    for number, line in enumerate(preamble, 1):
        text = line.strip().strip('"').lstrip("#").strip().strip('"')
        match = _KEY.match(text)
        # A sign that stands behind the table's own mark belongs to the value: `started;25.11.2026 09:12`.
        is_key = match is not None and not (delimiter.strip() and delimiter in match.group(1))
        pair = (match.group(1), match.group(2)) if match is not None and is_key else None
        if pair is None and delimiter in text:
            cells = [c.strip().strip('"') for c in split_line(text, delimiter)]
            cells = [c for c in cells if c]
            pair = (cells[0].rstrip(":"), cells[1]) if len(cells) == 2 else None
        if pair and pair[0] and pair[1]:
            found.append((number, pair[0].strip(' "'), pair[1].strip(' ";,|').strip()))
    return found


def is_end_mark(cells: list[str], words: Vocabulary) -> bool:
    """Tell whether a line's first words say that it is a total, an average or an end mark."""
    first = next((c for c in cells if c.strip().strip('"').strip("#*-= ")), "")
    said = tokens(first)
    if not said:
        return all(set(c.strip()) <= set("-=*#_ ") for c in cells)
    text = normalise(first.strip().strip('"*#-= ').rstrip(":").strip())
    return text in words.end or said[0] in words.end or " ".join(said[:2]) in words.end
