"""`joulebook inspect`: how a file would be read."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of
from tui.cli.fact_options import (
    Answers,
)
from tui.cli.import_options import ProfileName, Zone, import_order
from tui.cli.listing import print_document

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 30

_HELP = examples(
    "Show how a file would be read, column by column with reasons; store nothing.",
    "joulebook inspect log.csv",
    "joulebook inspect log.csv --json",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("inspect", help=_HELP, no_args_is_help=True)(inspect_export)


def inspect_export(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The export.")],
    profile: ProfileName = None,
    zone: Zone = None,
    answer: Answers = None,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Show how a file would be read."""
    from importers.schema import Facts
    from store.imports.importer import inspect_file
    from store.imports.inspection_page import inspection_document

    session = session_of(context)
    library = session.open_library() if session.library_path.exists() else None
    order = import_order(Facts(), None, zone, profile, answer, is_dry=True)
    inspection = inspect_file(file.expanduser(), library, order)
    if as_json:
        session.document(inspection.as_json())
    else:
        print_document(session, inspection_document(inspection))
