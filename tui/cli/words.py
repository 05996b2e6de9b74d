"""The words of a call put in the order that the parser wants.

The program's own options may stand anywhere, and a filter word may begin with `-` to exclude. Knows words only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

__all__ = ["EXCLUDE", "OwnOptions", "arrange", "as_typed", "command_of", "only_own"]

EXCLUDE = "\ue000-"
"""Stands for the `-` of an excluding filter word while the parser looks at the words."""

_FLAGS = frozenset({"--quiet", "-q", "--plain", "--no-color", "--no-input", "--debug"})
_VALUED = "--library"
_FILTERING = frozenset({"runs", "export", "plot"})


def arrange(words: Sequence[str]) -> list[str]:
    """Move the program's own options to the front and shield excluding filter words.

    `runs port:C1 --library D -kind:heat` becomes `--library D runs port:C1 <-kind:heat>`.
    """
    own: list[str] = []
    rest: list[str] = []
    queue = list(words)
    while queue:
        word = queue.pop(0)
        if word == "--":
            rest += [word, *queue]
            break
        if word in _FLAGS or word.startswith(_VALUED + "="):
            own.append(word)
        elif word == _VALUED and queue:
            own += [word, queue.pop(0)]
        else:
            rest.append(word)
    if rest and rest[0] in _FILTERING:
        rest = [rest[0], *(_shielded(word) for word in rest[1:])]
    return own + rest


class OwnOptions(NamedTuple):
    """The program's own options, where nothing else was asked for."""

    library: str | None
    flags: frozenset[str]
    """As typed: `--quiet`, `-q`, `--plain` ..."""


def only_own(words: Sequence[str]) -> OwnOptions | None:
    """The options of a call that opens the interface; None where it may be anything else, for the parser to judge.

    `--library D --no-color` opens the interface; `--library` without a folder, `--help` and any command don't.
    """
    library: str | None = None
    flags: set[str] = set()
    queue = list(words)
    while queue:
        word = queue.pop(0)
        if word in _FLAGS:
            flags.add(word)
            continue
        if word == _VALUED and queue:
            library = queue.pop(0)
        elif word.startswith(_VALUED + "="):
            library = word.partition("=")[2]
        else:
            return None
        if not library or library.startswith("-"):
            return None
    return OwnOptions(library, frozenset(flags))


def command_of(arranged: Sequence[str]) -> str | None:
    """The command in words that `arrange` put in order; None where there is none."""
    queue = list(arranged)
    while queue and (queue[0] in _FLAGS or queue[0].startswith(_VALUED)):
        del queue[: 2 if queue[0] == _VALUED else 1]
    return queue[0] if queue else None


def _shielded(word: str) -> str:
    """An excluding word such as `-kind:heat` or `-wh>50`, kept from being read as options."""
    is_excluding = word.startswith("-") and not word.startswith("--") and len(word) > 2
    is_number = word[1:].replace(".", "", 1).isdigit()
    return EXCLUDE + word[1:] if is_excluding and not is_number else word


def as_typed(words: Sequence[str]) -> list[str]:
    """Filter words as the person typed them."""
    return ["-" + word[len(EXCLUDE) :] if word.startswith(EXCLUDE) else word for word in words]
