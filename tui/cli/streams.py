"""Standard output and error made fit for any terminal, pipe and encoding.

Knows the process's streams only: no library, no screen.
"""

from __future__ import annotations

import codecs
import os
import sys
from pathlib import Path
from typing import TextIO

from tui.render.format import ASCII_SIGNS, UNICODE_SIGNS, Signs

__all__ = ["can_show_unicode", "is_terminal", "prepare_streams", "settle_streams", "signs_for", "wants_colour"]

_IN_ASCII = {
    "\u03a9": "Ohm",
    "\u2126": "Ohm",
    "±": "+-",
    "°": "deg",
    "µ": "u",
    "μ": "u",
    "×": "x",  # noqa: RUF001
    "·": ".",
    "–": "-",  # noqa: RUF001
    "—": "-",
    "−": "-",  # noqa: RUF001
    "…": "...",
    "→": "->",
    "←": "<-",
    "≥": ">=",
    "≤": "<=",
    "─": "-",
    "▴": "^",
    "▌": ">",
    "²": "2",
    "³": "3",
    "Δ": "d",
    "‘": "'",  # noqa: RUF001
    "’": "'",  # noqa: RUF001
    "“": '"',
    "”": '"',
}
"""What stands for a sign that an encoding lacks; any other one becomes `?`."""

_HANDLER = "joulebook-words"


def _in_words(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    missing = error.object[error.start : error.end]
    return "".join(_IN_ASCII.get(sign, "?") for sign in missing), error.end


def prepare_streams() -> None:
    """Let neither stream ever fail on a sign that its encoding lacks: write `Ohm`, `+-`, `degC`, else `?`."""
    codecs.register_error(_HANDLER, _in_words)
    for name in ("stdin", "stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever started us
            setattr(sys, name, Path(os.devnull).open("r" if name == "stdin" else "w", encoding="utf-8"))  # noqa: SIM115
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors=_HANDLER)
    if os.environ.get("NO_COLOR") == "":
        del os.environ["NO_COLOR"]  # the convention counts only a value that is not empty; Textual counts any


def settle_streams() -> None:
    """Point both streams at nothing, so that the interpreter's last flush can't fail again."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        try:
            os.dup2(nothing, stream.fileno())
        except (AttributeError, OSError, ValueError):  # not a file of the system: nothing to settle
            continue
    os.close(nothing)


def can_show_unicode(stream: TextIO | None = None) -> bool:
    """Whether a stream (standard output unless named) takes every sign."""
    encoding = getattr(stream or sys.stdout, "encoding", None) or "ascii"
    return codecs.lookup(encoding).name.startswith("utf")


def signs_for(stream: TextIO | None = None) -> Signs:
    """The signs that a stream can take."""
    return UNICODE_SIGNS if can_show_unicode(stream) else ASCII_SIGNS


def is_terminal(stream: TextIO) -> bool:
    """Whether a person sees a stream at once (FORCE_COLOR changes nothing here)."""
    try:
        return stream.isatty()
    except ValueError:  # closed
        return False


def wants_colour(stream: TextIO, *, no_color: bool = False) -> bool:
    """Whether colour may be written: a terminal that is not dumb, and nobody said no."""
    forbidden = no_color or os.environ.get("NO_COLOR") or os.environ.get("JOULEBOOK_NO_COLOR")
    return not forbidden and is_terminal(stream) and os.environ.get("TERM") != "dumb"
