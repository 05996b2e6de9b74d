"""`joulebook verify`: the library against its files."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things
from tui.cli.errors import DONE, NOT_DONE

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 220

_HELP = examples(
    "Check every hash, row count and catalogue row against the files, and say what is wrong.",
    "joulebook verify",
    "joulebook verify --quick                  names and sizes only, no hashes",
    "joulebook verify --repair                 remove leftovers of interrupted imports, repair what is repairable",
    more="Exit status 1 where something is wrong and not repaired.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("verify", help=_HELP)(verify)


def verify(
    context: typer.Context,
    repair: Annotated[bool, typer.Option("--repair", help="Repair what is repairable.")] = False,
    quick: Annotated[bool, typer.Option("--quick", help="Names and sizes only.")] = False,
    results: Annotated[
        bool, typer.Option("--results", help="Recalculate the results of every run, not only of a sample.")
    ] = False,
    as_json: Annotated[bool, JsonOption] = False,
) -> int:
    """Check the library."""
    session = session_of(context)
    library = session.open_library()
    with session.progress("checking") as report:
        findings = library.maintenance.verify(repair=repair, quick=quick, results=results, progress=report)
    left = [finding for finding in findings if not finding.is_repaired]
    if as_json:
        session.document(findings)
        return NOT_DONE if left else DONE
    for finding in findings:
        session.out(f"{finding.subject}: {finding.message}{' Repaired.' if finding.is_repaired else ''}")
    if left:
        advice = (
            "What is left needs a backup or `joulebook rebuild`."
            if repair
            else "`--repair` repairs what is repairable."
        )
        session.complain(f"{things(len(left), 'finding')}. {advice}")
        return NOT_DONE
    session.say(f"{things(len(findings), 'finding')} repaired; no problems left." if findings else "No problems found.")
    return DONE
