"""What the commands share beside the session: help with examples, the usual option, wrong usage."""

from __future__ import annotations

from typing import NoReturn

import typer

from tui.cli.errors import USAGE, Refusal
from tui.cli.session import Session

__all__ = ["JsonOption", "examples", "session_of", "things", "wrong_use"]


def session_of(context: typer.Context) -> Session:
    """The session that the program's own options made."""
    session = context.find_object(Session)
    if session is None:
        raise TypeError("a command ran without a session")
    return session


def wrong_use(message: str) -> NoReturn:
    """End the command as wrongly used."""
    raise Refusal(message, USAGE)


def examples(summary: str, *lines: str, more: str = "") -> str:
    """A command's help: what it does, examples as typed, then anything else."""
    parts = [summary, "\b\nExamples:\n" + "\n".join(f"  {line}" for line in lines)]
    return "\n\n".join([*parts, more] if more else parts)


def things(n: int, word: str) -> str:
    """A number with its word: `1 run`, `1,204 runs`."""
    return f"{n:,} {word}{'' if n == 1 else 's'}"


JsonOption = typer.Option("--json", help="Print one JSON document on standard output and nothing else there.")
