"""`joulebook amendments`: every change of a fact."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things
from tui.cli.listing import print_rows
from tui.cli.run_numbers import run_numbers
from tui.render.format import local_time
from tui.render.tables import Head

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 140

_HELP = examples(
    "List every change of a fact: who, when, old and new value, reason.",
    "joulebook amendments",
    "joulebook amendments 12",
    "joulebook amendments --json",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("amendments", help=_HELP)(amendments)


def amendments(
    context: typer.Context,
    run: Annotated[str | None, typer.Argument(metavar="[RUN]", help="Only those of this run.")] = None,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """List changes of facts."""
    session = session_of(context)
    library = session.open_library()
    changes = (
        library.amendments.all("run", [str(number) for number in run_numbers([run])])
        if run
        else library.amendments.all()
    )
    if as_json:
        session.document(changes)
        return
    columns = [Head("when"), Head("who"), Head("what"), Head("key"), Head("field")]
    columns += [Head(name, may_shrink=True) for name in ("old", "new", "reason")]
    rows: list[tuple[object, ...]] = [
        (local_time(c.at), c.who, c.table_name, c.key, c.field, c.old_value, c.new_value, c.reason) for c in changes
    ]
    print_rows(session, columns, rows)
    session.say(f"{things(len(changes), 'amendment')}.")
