"""`joulebook backup`: the whole library as one archive."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tui.cli.base import examples, session_of
from tui.render.format import size

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 250

_HELP = examples(
    "Write the whole library into one archive; works while others use it.", "joulebook backup store-2026-02.tar"
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("backup", help=_HELP, no_args_is_help=True)(backup)


def backup(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The archive to write, as store.tar.")],
) -> None:
    """Write an archive."""
    session = session_of(context)
    library = session.open_library()
    with session.progress("backing up") as report:
        written = library.maintenance.backup(file.expanduser(), report)
    session.say(f"{file}: {size(written)}. `joulebook restore {file} --to DIR` brings it back.")
