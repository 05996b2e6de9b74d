"""`joulebook compare`: devices beside one another."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of
from tui.cli.listing import print_document

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 80

_HELP = examples(
    "Compare devices: best and worst are marked only where the difference exceeds what uncertainty allows.",
    "joulebook compare PB-02 PB-03 PB-07",
    "joulebook compare PB-03                       with its peers",
    "joulebook compare PB-04 PB-09 --by energy_out_wh",
    more="Like with like only: where no condition is common to all, each is shown at its own and nothing is marked.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("compare", help=_HELP, no_args_is_help=True)(compare)


def compare(
    context: typer.Context,
    names: Annotated[
        list[str],
        typer.Argument(metavar="DEVICE...", help="Two or more devices; a single one is compared with its peers."),
    ],
    by: Annotated[
        str | None, typer.Option("--by", metavar="RESULT", help="Quantity to order and pair them by.")
    ] = None,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Print a comparison."""
    from store.documents.comparison import comparison_document

    session = session_of(context)
    wanted: Sequence[str] = names
    page = session.open_library().devices.compare(wanted, by)
    if as_json:
        session.document(page)
        return
    print_document(session, comparison_document(page))
