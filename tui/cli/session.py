"""One call of the program: the library that is meant, and the three ways of speaking.

Results go to standard output, words about them to standard error. Knows no command and no parser of options, so that
the interface can open without either.
"""

from __future__ import annotations

import gc
import json
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from tui.cli.errors import NOT_DONE, USAGE, Refusal
from tui.cli.streams import can_show_unicode, is_terminal, signs_for
from tui.render.format import Signs
from tui.render.json_values import jsonable
from tui.render.plain import plain_lines

if TYPE_CHECKING:
    from store import Library

__all__ = ["Report", "Session", "default_library", "fail", "loading"]

Report = Any
"""Called with (done, total) while work goes on."""


@dataclass(frozen=True, slots=True)
class Session:
    """One call of the program: which library, and how to speak."""

    library_path: Path
    is_quiet: bool = False
    is_plain: bool = False
    no_color: bool = False
    no_input: bool = False

    @property
    def signs(self) -> Signs:
        """The signs that standard output can take."""
        return signs_for()

    def open_library(self, *, create: bool = False) -> Library:
        """Open the library; make it first where it may be made. What had to be put right is said."""
        library = self.open_silently(create=create)
        for notice in library.notices:
            self.say(notice)
        return library

    def open_silently(self, *, create: bool = False) -> Library:
        """Open the library; what had to be put right stands in its notices."""
        with loading():
            from store.library import Library  # help and usage errors need no library

        return Library.open(self.library_path, create=create, who=os.environ.get("JOULEBOOK_WHO") or None)

    def out(self, text: str = "") -> None:
        """Print a result, harmless to any terminal, on standard output."""
        for line in plain_lines(text):
            sys.stdout.write(line + "\n")

    def out_all(self, lines: Iterable[str]) -> None:
        """Print lines that are harmless already, as tui.render.tables makes them."""
        sys.stdout.writelines(line + "\n" for line in lines)

    def say(self, text: str) -> None:
        """Tell what was done, on standard error; `--quiet` leaves it out."""
        if not self.is_quiet:
            self.complain(text)

    def complain(self, text: str) -> None:
        """Tell what was not done, on standard error, always."""
        for line in plain_lines(text):
            sys.stderr.write(line + "\n")
        sys.stderr.flush()

    def document(self, value: Any) -> None:
        """Print one JSON document: the only thing that `--json` puts on standard output."""
        ascii_only = not can_show_unicode()
        text = json.dumps(jsonable(value), ensure_ascii=ascii_only, indent=2, allow_nan=False)
        sys.stdout.write(text.encode("utf-8", "backslashreplace").decode("utf-8") + "\n")

    def confirm(self, question: str, *, option: str) -> None:
        """Ask on a terminal; elsewhere refuse and name the option that says yes."""
        if self.no_input or not is_terminal(sys.stdin):
            fail(f"{question} No terminal to confirm on; use {option}.", USAGE)
        sys.stderr.write(f"{' '.join(plain_lines(question))} [y/N] ")
        sys.stderr.flush()
        if sys.stdin.readline().strip().lower() not in {"y", "yes"}:
            fail("Nothing was changed.")

    def ask(self, question: str) -> str | None:
        """A line typed on a terminal; None where there is no terminal to ask on."""
        if self.no_input or not is_terminal(sys.stdin):
            return None
        sys.stderr.write(f"{' '.join(plain_lines(question))} ")
        sys.stderr.flush()
        return sys.stdin.readline().strip()

    @contextmanager
    def progress(self, label: str) -> Iterator[Report]:
        """A bar on standard error while work goes on; nothing where nobody would see it.

        Yields a function `report(done, total)`; `total` of 0 means that nobody knows.
        """
        if self.is_quiet or self.is_plain or not is_terminal(sys.stderr) or os.environ.get("TERM") == "dumb":
            yield lambda _done, _total: None
            return
        from tui.cli.progress import bar  # rich is loaded only where it shows

        with bar(" ".join(plain_lines(label)), no_color=self.no_color) as report:
            yield report


@contextmanager
def loading() -> Iterator[None]:
    """Load modules without looking for rubbish among what will stay; measured: a fifth of the time to load them all."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        if was_on:
            gc.enable()


def default_library() -> Path:
    """The library that is meant where nobody names one: JOULEBOOK_LIBRARY, else the user's data folder."""
    named = os.environ.get("JOULEBOOK_LIBRARY")
    if named:
        return Path(named).expanduser()
    import platformdirs

    return platformdirs.user_data_path("joulebook", appauthor=False) / "library"


def fail(message: str, status: int = NOT_DONE) -> NoReturn:
    """End the command with a sentence and a status."""
    raise Refusal(message, status)
