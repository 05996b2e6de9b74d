"""Where in a TOML text each table and key stands: for messages that name a line.

Knows text only. The text has already been parsed, so it is well formed; this only counts lines.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping

__all__ = ["KeyPath", "line_of", "locate"]

KeyPath = tuple[str | int, ...]
"""`("port", 0, "name")`: keys, and indices of tables in an array, from 0."""

_HEADER = re.compile(r"^\s*(\[\[|\[)([^\]]+)\]")
_PART = r"(?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')"
_KEY = re.compile(rf"^\s*({_PART}(?:\s*\.\s*{_PART})*)\s*=(.*)$", re.DOTALL)
_STRINGS = re.compile(r"\"(?:\\.|[^\"\\])*\"|'[^']*'")
_FENCES = ('"""', "'''")


def locate(text: str) -> Mapping[KeyPath, int]:
    """Give the 1-based line of every table header and key of a TOML document.

    Args:
        text: A well-formed TOML document.

    Returns:
        Path to line. Keys inside an inline table are not listed; `line_of` falls back to their parent.
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    here: KeyPath = ()
    fence, depth = "", 0
    for number, line in enumerate(text.splitlines(), start=1):
        rest = line
        if not fence and depth == 0:
            header = _HEADER.match(line)
            if header:
                here = _enter(_split(header[2]), counts, is_array=header[1] == "[[")
                lines.setdefault(here, number)
                continue
            key = _KEY.match(line)
            if key:
                lines.setdefault((*here, *_split(key[1])), number)
                rest = key[2]
        fence, depth = _follow(rest, fence, depth)
    return lines


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """The line of a path, else of its nearest parent that has one."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _split(dotted: str) -> KeyPath:
    """`a."b.c"` -> ("a", "b.c"), by TOML's own reading of a key."""
    table: object = tomllib.loads(f"{dotted.strip()} = 0")
    parts: list[str] = []
    while isinstance(table, dict):
        (name, table) = next(iter(table.items()))
        parts.append(name)
    return tuple(parts)


def _enter(parts: KeyPath, counts: dict[KeyPath, int], *, is_array: bool) -> KeyPath:
    """The path of a table header, with the indices of the arrays that it stands in."""
    path: KeyPath = ()
    for position, part in enumerate(parts):
        path = (*path, part)
        if position == len(parts) - 1 and is_array:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _follow(rest: str, fence: str, depth: int) -> tuple[str, int]:
    """Whether a value goes on in the next line: an open multi-line string or open brackets."""
    while True:
        if fence:
            _, found, rest = rest.partition(fence)
            if not found:
                return fence, depth
            fence = ""
        starts = [(rest.find(mark), mark) for mark in _FENCES if mark in rest]
        part, opened = rest, ""
        if starts:
            at, opened = min(starts)
            part, rest = rest[:at], rest[at + 3 :]
        bare, is_comment, _ = _STRINGS.sub("", part).partition("#")
        depth = max(0, depth + bare.count("[") + bare.count("{") - bare.count("]") - bare.count("}"))
        if not opened or is_comment:
            return "", depth
        fence = opened
