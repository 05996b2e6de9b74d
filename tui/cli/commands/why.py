"""`joulebook why`: how a result of a run came about."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of
from tui.cli.listing import print_document, run_number
from tui.render.json_values import jsonable

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 60

_HELP = examples(
    "Explain a result: formula, inputs, span, uncertainty budget, and the SQL that reproduces it.",
    "joulebook why 12 energy_wh",
    "joulebook why 12 held_s --json",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("why", help=_HELP, no_args_is_help=True)(explain_result)


def explain_result(
    context: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's number.")],
    result: Annotated[str, typer.Argument(metavar="RESULT", help="The result's name, as `joulebook show` lists it.")],
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Print how a result came about."""
    from store.documents.why import why_document

    session = session_of(context)
    number = run_number(run)
    library = session.open_library()
    account = library.results.why(number, result)
    sql = library.results.redo_sql(number, result)
    if as_json:
        session.document({"run_id": number, **jsonable(account), "sql": sql})
    else:
        print_document(session, why_document(account, number, sql))
