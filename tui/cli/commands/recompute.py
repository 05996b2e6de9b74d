"""`joulebook recompute`: results by the current methods."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things
from tui.cli.changes import print_changes, print_flips
from tui.cli.run_numbers import run_numbers

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 150

_HELP = examples(
    "Recompute results with the current methods. Old values stay, marked superseded.",
    "joulebook recompute",
    "joulebook recompute 12-18",
    "joulebook recompute --dry-run             list what would change, change nothing",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("recompute", help=_HELP)(recompute)


def recompute(
    context: typer.Context,
    runs: Annotated[list[str] | None, typer.Argument(metavar="[RUN]...", help="Runs (default: all).")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", "-n", help="List what would change; change nothing.")] = False,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Make results again."""
    session = session_of(context)
    library = session.open_library()
    numbers = run_numbers(runs) if runs else None
    from store.runs.previews import RecomputePreview, flips

    with session.progress("recomputing results") as report:
        if dry_run:
            found = library.results.preview(numbers, progress=report)
        else:
            before = library.verdicts.all()
            changes = tuple(library.results.recompute(numbers, progress=report))
            found = RecomputePreview(changes, flips(before, library.verdicts.all()) if changes else ())
    if as_json:
        session.document(found)
        return
    print_changes(session, found.changes)
    print_flips(session, found.verdicts, verb="would flip" if dry_run else "flipped")
    verb = "would change" if dry_run else "changed"
    session.say(f"{things(len(found.changes), 'result')} {verb}, {things(len(found.verdicts), 'verdict')} with them.")
