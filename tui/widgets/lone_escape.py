"""Escape apart from the key after it.

A terminal sends Escape as the byte with which its other sequences begin. Where Escape and a letter come in one piece,
as over a slow link, the framework takes both for Alt and that letter, or drops Escape. No key here is bound with Alt,
so the two are always two keys. Knows Textual, and of it the parser of a terminal's bytes.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterable, Iterator

from textual._xterm_parser import XTermParser
from textual.message import Message

__all__ = ["LoneEscapeParser", "keep_escape_apart"]

ESCAPE = "\x1b"
_BEGINS_A_SEQUENCE = frozenset("[OP]_^X\\")
"""What may follow Escape in what a terminal sends by itself; all else was pressed after it."""
_DRIVERS = ("linux_driver", "win32")


class LoneEscapeParser(XTermParser):
    """A parser that ends Escape where a key follows it that begins no sequence."""

    _has_escape = False
    """Whether the last character of all that came was Escape."""

    def feed(self, data: str) -> Iterator[Message]:
        """Parse what came.

        Args:
            data: Characters as the terminal sent them; none at the end.

        Yields:
            Keys, clicks and the terminal's answers.
        """
        begins = 0
        for at, character in enumerate(data):
            is_after_escape = data[at - 1] == ESCAPE if at else self._has_escape
            if is_after_escape and character not in _BEGINS_A_SEQUENCE and character != ESCAPE:
                if at > begins:
                    yield from super().feed(data[begins:at])
                yield from self._escape()
                begins = at
        self._has_escape = data.endswith(ESCAPE)
        if begins < len(data) or not data:
            yield from super().feed(data[begins:])

    def tick(self) -> Iterable[Message]:
        """What a pause means: Escape alone."""
        found = list(super().tick())
        if found:
            self._has_escape = False
        return found

    def _escape(self) -> Iterable[Message]:
        if self._timeout_time is not None:
            self._timeout_time = 0.0
        return super().tick()


def keep_escape_apart() -> None:
    """Have the terminal's bytes read by this parser from now on."""
    for name in _DRIVERS:
        try:
            driver = importlib.import_module(f"textual.drivers.{name}")
        except ImportError:  # of another system
            continue
        vars(driver)["XTermParser"] = LoneEscapeParser
