"""`joulebook delete`: runs deleted."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import examples, session_of, things
from tui.cli.run_numbers import Reason, Runs, run_numbers

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 130

_HELP = examples(
    "Delete runs. Their traces are removed; a record with the original's hash stays. Setting a run aside with "
    "`edit --quality rejected` is nearly always better.",
    "joulebook delete 12",
    "joulebook delete 12 13 --force --reason 'imported for a test'",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("delete", help=_HELP, no_args_is_help=True)(delete)


def delete(
    context: typer.Context,
    runs: Runs,
    force: Annotated[bool, typer.Option("--force", "-f", help="Do not ask for confirmation.")] = False,
    reason: Reason = "",
) -> None:
    """Delete runs."""
    session = session_of(context)
    numbers = run_numbers(runs)
    library = session.open_library()
    for number in numbers:
        library.runs.get(number)  # an unknown one ends the command before anything is deleted
    if not force:
        session.confirm(f"Delete {things(len(numbers), 'run')} permanently?", option="--force")
    session.say(f"Deleted {things(library.runs.delete(numbers, reason=reason), 'run')}.")
