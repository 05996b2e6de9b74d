"""`joulebook restore`: a library out of a backup."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tui.cli.base import examples, session_of, things

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 260

_HELP = examples(
    "Unpack a backup into a new folder: the one of --to, else the library's own place.",
    "joulebook restore store-2026-02.tar --to restored",
    "joulebook --library restored runs",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("restore", help=_HELP, no_args_is_help=True)(restore)


def restore(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The archive.")],
    to: Annotated[Path | None, typer.Option("--to", metavar="DIR", help="A new or empty folder.")] = None,
) -> None:
    """Unpack an archive."""
    from store import Library

    session = session_of(context)
    target = to.expanduser() if to else session.library_path
    with session.progress("restoring") as report:
        library = Library.restore(file.expanduser(), target, progress=report)
    session.say(f"{target} holds {things(library.runs.page(limit=1).total, 'run')} again.")
