"""`joulebook check`: published reference cases run through this program."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things
from tui.cli.errors import DONE, NOT_DONE
from tui.cli.listing import terminal_width

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 280

_HELP = examples(
    "Run published reference cases through this program and print a dated validation record to keep.",
    "joulebook check",
    "joulebook check > validation-2026-02.txt",
    "joulebook check --json",
    more="Needs no library. Exit status 1 where a case gives another number than it should.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("check", help=_HELP)(check)


def check(context: typer.Context, as_json: Annotated[bool, JsonOption] = False) -> int:
    """Run the reference cases."""
    from store.validation import validate
    from tui.render.check import check_document, check_lines

    session = session_of(context)
    record = validate()
    if as_json:
        session.document(check_document(record))
    else:
        session.out_all(check_lines(record, signs=session.signs, width=terminal_width()))
    if record.failed:
        session.complain(
            f"{things(len(record.failed), 'case')} of {len(record.cases)} failed: do not publish numbers from this "
            "installation. Reinstall it; if that does not help, report it."
        )
        return NOT_DONE
    session.say(f"All {len(record.cases)} cases passed.")
    return DONE
