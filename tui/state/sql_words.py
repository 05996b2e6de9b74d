"""Words of a question in SQL: what each piece of text is, and how a begun word may go on.

Knows text only: no Textual, no DuckDB.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

__all__ = ["KEYWORDS", "begun_word", "completions", "is_finished", "pieces_of_line", "place_of_complaint"]

KEYWORDS: tuple[str, ...] = (
    "SELECT",
    "FROM",
    "WHERE",
    "GROUP",
    "BY",
    "ORDER",
    "HAVING",
    "LIMIT",
    "OFFSET",
    "JOIN",
    "LEFT",
    "RIGHT",
    "FULL",
    "INNER",
    "OUTER",
    "CROSS",
    "ON",
    "USING",
    "AS",
    "AND",
    "OR",
    "NOT",
    "IN",
    "IS",
    "NULL",
    "LIKE",
    "ILIKE",
    "BETWEEN",
    "CASE",
    "WHEN",
    "THEN",
    "ELSE",
    "END",
    "DISTINCT",
    "UNION",
    "ALL",
    "EXCEPT",
    "INTERSECT",
    "WITH",
    "ASC",
    "DESC",
    "NULLS",
    "FIRST",
    "LAST",
    "QUALIFY",
    "FILTER",
    "OVER",
    "PARTITION",
    "VALUES",
    "DESCRIBE",
    "SUMMARIZE",
    "SHOW",
    "PIVOT",
    "UNPIVOT",
    "EXISTS",
    "CAST",
    "INTERVAL",
    "TRUE",
    "FALSE",
)

_FUNCTIONS = (
    "avg",
    "count",
    "max",
    "min",
    "sum",
    "median",
    "stddev_samp",
    "quantile_cont",
    "round",
    "abs",
    "coalesce",
    "any_value",
    "arg_max",
    "arg_min",
    "date_trunc",
    "strftime",
    "lag",
    "lead",
    "row_number",
    "rank",
)

_TOKEN = re.compile(
    r"(?P<comment>--.*)|(?P<text>'(?:[^']|'')*'?)|(?P<name>\"(?:[^\"])*\"?)|(?P<number>\b\d+(?:\.\d+)?(?:[eE][-+]?\d+)?\b)"
    r"|(?P<word>[^\W\d]\w*)"
)


def pieces_of_line(text: str, known: frozenset[str]) -> Iterator[tuple[int, int, str]]:
    """Start, end and kind of what is coloured in a line: `keyword`, `known`, `text`, `number` or `comment`.

    Args:
        text: One line.
        known: Names of views and columns, in lower case.
    """
    keywords = {k.lower() for k in KEYWORDS}
    for found in _TOKEN.finditer(text):
        kind = found.lastgroup or ""
        if kind == "word":
            word = found.group().lower()
            kind = "keyword" if word in keywords else "known" if word in known else ""
        elif kind == "name":
            kind = "known"
        if kind:
            yield found.start(), found.end(), kind


def begun_word(text: str) -> str:
    """The word that ends a text, with the view before its dot: `runs.ener`."""
    found = re.search(r"(?:[^\W\d]\w*\.)?[^\W\d]?\w*$", text)
    return found.group() if found else ""


def completions(
    word: str, views: Mapping[str, Sequence[str]], *, used: Sequence[str] = (), most: int = 12
) -> list[str]:
    """How a begun word may go on: columns of the views that the question names first, then views, then SQL.

    Args:
        word: The begun word, maybe with `view.` before it.
        views: Columns per view.
        used: Views that the question names.
        most: How many at most.
    """
    view, dot, start = word.rpartition(".")
    if dot:
        columns = views.get(view.lower()) or [c for of in views.values() for c in of]
        return [f"{view}.{c}" for c in dict.fromkeys(columns) if c.startswith(start.lower()) and c != start][:most]
    if not word:
        return []
    columns = [c for name in (used or views) for c in views.get(name, ())]
    lower = word.lower()
    names = dict.fromkeys([*columns, *views, *_FUNCTIONS, *(c for of in views.values() for c in of)])
    found = [n for n in names if n.startswith(lower) and n != lower]
    if word.upper() not in KEYWORDS:
        found += [k for k in KEYWORDS if k.startswith(word.upper())]
    return found[:most]


def place_of_complaint(message: str, sql: str) -> int | None:
    """Where the first quoted name of a complaint stands in the question, or None.

    Args:
        message: The engine's sentence, as `Referenced column "x" not found`.
        sql: The question as it was asked.
    """
    for name in re.findall(r'"([^"]+)"', message):
        found = re.search(rf"\b{re.escape(name)}\b", sql, re.IGNORECASE)
        if found:
            return found.start()
    return None


def is_finished(text: str) -> bool:
    """Whether a question ends with a semicolon, so that Enter asks it."""
    return text.rstrip().endswith(";")
