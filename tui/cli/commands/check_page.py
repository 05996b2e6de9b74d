"""`joulebook check-page`: the evidence of a published page, checked by anyone."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things
from tui.cli.session import fail

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 295

_HELP = examples(
    "Check a published page from the files beside it: hashes, every printed figure and every result reproduced.",
    "joulebook check-page pb-03",
    "joulebook check-page pb-03 --json",
    more="Needs no library: a page that somebody sent you can be checked.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("check-page", help=_HELP, no_args_is_help=True)(check_page_command)


def check_page_command(
    context: typer.Context,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The page's folder.")],
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Check a page."""
    from store.publish.evidence_check import check_page

    session = session_of(context)
    found = check_page(folder.expanduser())
    if as_json:
        session.document(asdict(found))
    else:
        session.out_all(found.wrong)
        looked = f"{things(found.files, 'file')}, {things(found.figures, 'figure')}, {things(found.results, 'result')}"
        session.say(f"{looked} checked, {len(found.wrong)} differ.")
    if found.wrong:
        fail(f"{folder} does not hold what its page says.")
