"""`joulebook why`: how a result of a run, or a figure of a device as a whole, came about."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of
from tui.cli.listing import print_document, run_number
from tui.render.json_values import jsonable

if TYPE_CHECKING:
    from tui.cli.session import Session

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 60

_HELP = examples(
    "Explain a result: formula, inputs, span, uncertainty budget, and the SQL that reproduces it.",
    "joulebook why 12 energy_wh",
    "joulebook why 12 held_s --json",
    "joulebook why PB-03 round_trip",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("why", help=_HELP, no_args_is_help=True)(explain_result)


def explain_result(
    context: typer.Context,
    of: Annotated[str, typer.Argument(metavar="RUN|DEVICE", help="The run's number, or a device's inventory code.")],
    result: Annotated[str, typer.Argument(metavar="RESULT", help="The result's name, as `joulebook show` lists it.")],
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Print how a result came about."""
    from store.documents.why import why_document

    session = session_of(context)
    library = session.open_library()
    if not of.isdigit():
        _explain_figure(session, of, result, as_json=as_json)
        return
    number = run_number(of)
    account = library.results.why(number, result)
    sql = library.results.redo_sql(number, result)
    if as_json:
        session.document({"run_id": number, **jsonable(account), "sql": sql})
    else:
        print_document(session, why_document(account, number, sql))


def _explain_figure(session: Session, device: str, name: str, *, as_json: bool) -> None:
    """Print how a figure of a device came about: once for each condition that it stands under."""
    from store.documents.why import why_document

    found = session.open_library().devices.why(device, name)
    if as_json:
        session.document(
            [
                {"device": f.device, "condition": f.condition, "runs": f.run_ids, **jsonable(f.result), "sql": sql}
                for f, sql in found
            ]
        )
        return
    for figure, sql in found:
        print_document(session, why_document(figure.result, figure.device, sql))
