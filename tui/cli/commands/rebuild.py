"""`joulebook rebuild`: the catalogue again from traces and originals."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things
from tui.cli.errors import DONE, NOT_DONE

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 240

_HELP = examples(
    "Recreate a lost or damaged catalogue from the traces and originals; the damaged one is kept beside it.",
    "joulebook rebuild",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("rebuild", help=_HELP)(rebuild)


def rebuild(context: typer.Context, as_json: Annotated[bool, JsonOption] = False) -> int:
    """Make the catalogue again."""
    from store import Library

    session = session_of(context)
    with session.progress("rebuilding") as report:
        _, outcome = Library.rebuilt(session.library_path, progress=report)
    if as_json:
        session.document(outcome)
    else:
        session.say(f"{things(outcome.runs, 'run')} recreated from the traces.")
        if outcome.moved_aside:
            kept = f" Taken over from it: {', '.join(outcome.salvaged)}." if outcome.salvaged else ""
            session.say(f"The damaged catalogue is kept as {outcome.moved_aside}.{kept}")
    for sentence in outcome.unreadable:
        session.complain(sentence)
    return NOT_DONE if outcome.unreadable else DONE
