"""`joulebook show`: one run."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of
from tui.cli.listing import print_document, run_number

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 50

_HELP = examples(
    "Show one run: its facts, results with uncertainty, events, a small trace per channel, and its origin.",
    "joulebook show 12",
    "joulebook show 12 --json",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("show", help=_HELP, no_args_is_help=True)(show_run)


def show_run(
    context: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's number, as `joulebook runs` lists it.")],
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Print everything about one run."""
    from store.documents.run import TRACES, run_document
    from tui.render.run import run_data, trace_lines

    session = session_of(context)
    number = run_number(run)
    view = session.open_library().runs.get(number)
    if as_json:
        session.document(run_data(view))
    else:
        drawn = () if session.is_plain else trace_lines(view, session.signs)
        print_document(session, run_document(view), drawings={TRACES: drawn})
