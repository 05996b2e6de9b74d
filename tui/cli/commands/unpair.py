"""`joulebook unpair`: a pairing made by hand, removed."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import examples, session_of
from tui.cli.listing import run_number
from tui.cli.run_numbers import Reason

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 200

_HELP = examples("Remove a manual pairing; pair by date again.", "joulebook unpair 47")


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("unpair", help=_HELP, no_args_is_help=True)(unpair)


def unpair(
    context: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help="The discharge, or the recharge for all of its pairs.")],
    reason: Reason = "",
) -> None:
    """Take a pair away."""
    session = session_of(context)
    number = run_number(run)
    was = session.open_library().runs.unpair(number, reason=reason)
    session.say("Dates and ambient decide again." if was else f"Run {number} was in no pair made by hand.")
