"""Tables of runs and of anything else on standard output, and filter words as one line."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from tui.cli.base import wrong_use
from tui.cli.session import Session
from tui.cli.streams import is_terminal
from tui.render.tables import Head, tabbed, table

if TYPE_CHECKING:
    from store.model.document import Document

__all__ = ["join_words", "print_document", "print_rows", "run_number", "terminal_width"]


def join_words(words: list[str]) -> str:
    """Filter words as one line; a word that the shell gave with a space in it is quoted again.

    `["mode:fixed 20 V", "a"]` becomes `mode:"fixed 20 V" a`.
    """
    joined = []
    for word in words:
        if " " in word and '"' not in word and len(words) > 0 and not _is_line(word):
            head, mark, tail = word.partition(":")
            joined.append(f'{head}:"{tail}"' if mark and " " not in head else f'"{word}"')
        else:
            joined.append(word)
    return " ".join(joined)


def _is_line(word: str) -> bool:
    """Whether one argument is itself a line of several filter words: `"port:C1 kind:heat"`."""
    return sum(part.count(":") + part.count(">") + part.count("<") > 0 for part in word.split()) > 1


def print_rows(session: Session, columns: Sequence[Head], rows: Sequence[Sequence[object]]) -> None:
    """Print a table: aligned, or parted by tabs with --plain."""
    if session.is_plain:
        session.out_all(line for line in tabbed(columns, rows))
    else:
        session.out_all(table(columns, rows, width=terminal_width(), ellipsis=session.signs.ellipsis))


def print_document(session: Session, document: Document, **more: Any) -> None:
    """Print a page as the screen shows it."""
    from tui.render.terminal import document_text

    session.out_all(document_text(document, signs=session.signs, width=terminal_width(), **more))


def terminal_width() -> int | None:
    """Cells in a line of the terminal; None where standard output is a pipe or a file."""
    return shutil.get_terminal_size().columns if is_terminal(sys.stdout) else None


def run_number(word: str) -> int:
    """A run's number from what a person typed.

    Raises:
        Refusal: with status 2 where it is no number.
    """
    if not word.isascii() or not word.isdigit() or len(word) > 18:
        wrong_use(f"`{word}` is not a run number. `joulebook runs` lists the runs with their numbers.")
    return int(word)
