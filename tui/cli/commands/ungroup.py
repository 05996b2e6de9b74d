"""`joulebook ungroup`: runs out of their group."""

from __future__ import annotations

import typer

from tui.cli.base import examples, session_of, things
from tui.cli.run_numbers import Reason, Runs, run_numbers

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 180

_HELP = examples("Take runs out of their group.", "joulebook ungroup 41 42")


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("ungroup", help=_HELP, no_args_is_help=True)(ungroup)


def ungroup(context: typer.Context, runs: Runs, reason: Reason = "") -> None:
    """Take runs out of their group."""
    session = session_of(context)
    freed = session.open_library().runs.ungroup(run_numbers(runs), reason=reason)
    session.say(f"{things(freed, 'run')} in no group now." if freed else "None of them was in a group.")
