"""`joulebook help X`: the same as `joulebook X --help`."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from tui.cli.base import examples, wrong_use

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 360


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(
        "help", help=examples("Show the help of a command.", "joulebook help import", "joulebook help device load")
    )(show_help)


def show_help(
    context: typer.Context,
    words: Annotated[
        list[str] | None, typer.Argument(metavar="[COMMAND]...", help="The command, word by word.")
    ] = None,
) -> None:
    """Print the help of a command, or of the program where none is named."""
    current = context.parent
    if current is None:
        raise TypeError("help runs below the program")
    for word in words or []:
        group = current.command
        resolve = getattr(group, "resolve_command", None)
        if resolve is None:
            wrong_use(f"`{current.command_path}` has no command `{word}` below it.")
        _, command, _ = resolve(current, [word])  # raises the usual sentence, with the nearest names
        current = type(current)(command, info_name=word, parent=current)
    sys.stdout.write(current.get_help() + "\n")
