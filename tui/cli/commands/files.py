"""`joulebook files`: the trace files, for other programs."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of
from tui.cli.listing import print_rows
from tui.render.format import count
from tui.render.tables import Head

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 270

_HELP = examples(
    "List the trace files that hold the library's runs, for other programs that read Parquet.",
    "joulebook files",
    "joulebook files --json",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("files", help=_HELP)(files)


def files(context: typer.Context, as_json: Annotated[bool, JsonOption] = False) -> None:
    """List the trace files."""
    session = session_of(context)
    found = session.open_library().maintenance.files()
    if as_json:
        session.document(found)
        return
    columns = [Head("samples", is_number=True), Head("bytes", is_number=True), Head("file")]
    rows = [(_number(file["samples"]), _number(file["bytes"]), file["path"]) for file in found]
    print_rows(session, columns, rows)


def _number(value: object) -> str:
    return count(value) if isinstance(value, int) else ""
