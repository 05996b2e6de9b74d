"""The filter line as words: which are picked, how picks become words, where completion starts.

Knows text only: no Textual, no SQL. What a word means is the library's business; here it is only put together.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache

__all__ = ["completion", "picked_values", "quoted", "with_picked", "word_names"]

_TOKEN = re.compile(r"""(?:"[^"]*"?|[^\s"])+""")


@cache
def word_names() -> tuple[str, ...]:
    """Words that are offered while typing."""
    from store.runs.filters import FIELDS, numbers  # noqa: PLC0415 (loaded with the first letter: the list is up sooner)

    return (*(f"{name}:" for name in FIELDS), *(f"{name}>" for name in numbers()))


def tokens(text: str) -> list[str]:
    """Words of a filter; quotes keep blanks together."""
    return _TOKEN.findall(text)


def quoted(value: str) -> str:
    """A value as the filter line takes it: in quotes where it holds blanks, commas or quotes."""
    if re.search(r"""[\s,"'()]""", value) or not value:
        return '"' + value.replace('"', "") + '"'
    return value


def picked_values(text: str, field: str) -> list[str]:
    """Values that the filter names for a field, in order."""
    values: list[str] = []
    for token in tokens(text):
        if token.casefold().startswith(f"{field}:"):
            values += [v.strip("\"'") for v in re.findall(r'"[^"]*"|[^,"]+', token[len(field) + 1 :])]
    return values


def with_picked(text: str, field: str, values: Sequence[str]) -> str:
    """The filter with other values for a field; none takes the word away.

    The new word stands where the old one stood, else at the end.
    """
    word = f"{field}:{','.join(map(quoted, values))}" if values else ""
    out: list[str] = []
    was_put = False
    for token in tokens(text):
        if token.casefold().startswith(f"{field}:"):
            if word and not was_put:
                out.append(word)
                was_put = True
            continue
        out.append(token)
    if word and not was_put:
        out.append(word)
    return " ".join(out)


def completion(text: str, values: Mapping[str, Sequence[str]]) -> str | None:
    """The whole line with its last word completed, or None where nothing fits.

    Args:
        text: The line up to the cursor, which stands at its end.
        values: Values that exist, per field.
    """
    if not text or text[-1].isspace():
        return None
    last = tokens(text)[-1] if tokens(text) else ""
    before = text[: len(text) - len(last)]
    sign = "-" if last.startswith("-") else ""
    word = last[len(sign) :]
    name, colon, start = word.partition(":")
    if not colon:
        found = next((w for w in word_names() if w.startswith(word.casefold()) and w != word.casefold()), None)
        return None if found is None or not word else before + sign + found
    head, comma, typed = start.rpartition(",")
    opened = typed.lstrip("\"'")
    match = next((v for v in values.get(name.casefold(), ()) if v.casefold().startswith(opened.casefold())), None)
    if match is None or match == opened:
        return None
    done = quoted(match)
    if not done.startswith('"') or typed.startswith('"'):
        return f"{before}{sign}{name}:{head}{comma}{done}"
    return None if opened else f"{before}{sign}{name}:{head}{comma}{done}"
