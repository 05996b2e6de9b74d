"""`joulebook pack`: trace files merged."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things
from tui.cli.errors import DONE, NOT_DONE

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 230

_HELP = examples("Merge trace files, so that queries over all samples stay fast.", "joulebook pack")


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("pack", help=_HELP)(pack)


def pack(context: typer.Context, as_json: Annotated[bool, JsonOption] = False) -> int:
    """Merge loose traces."""
    session = session_of(context)
    library = session.open_library()
    with session.progress("packing") as report:
        outcome = library.maintenance.pack(progress=report)
    if as_json:
        session.document(outcome)
    elif outcome.runs:
        session.say(f"Packed {things(outcome.runs, 'run')} into {', '.join(outcome.packs)}.")
    else:
        session.say("Nothing to merge.")
    for damaged in outcome.damaged:
        session.complain(
            f"{damaged} is not what the catalogue says and was left as it is. `joulebook verify` tells more."
        )
    return NOT_DONE if outcome.damaged else DONE
