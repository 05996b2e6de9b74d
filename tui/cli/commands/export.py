"""`joulebook export`: runs as plain files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tui.cli.base import examples, session_of
from tui.cli.publishing import Force, chosen_runs, may_write
from tui.render.format import count

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 310

_HELP = examples(
    "Write runs as plain files: samples, facts and results, with a datapackage.json that names columns, units, "
    "sources and hashes. Runs by their numbers, or all that fit a filter.",
    "joulebook export 12 13 -o out",
    "joulebook export device:PB-03 kind:discharge -o out --format parquet --licence CC-BY-4.0",
    "joulebook export 12 -o out --bdf           the open battery data format, for runs of power banks",
    more="Every trace is checked against its hash first; a damaged one is named and nothing is written.",
)


Folder = Annotated[
    Path, typer.Option("--output", "-o", metavar="DIR", help="Output folder; written completely or not at all.")
]


Licence = Annotated[
    str, typer.Option("--licence", metavar="SPDX", help="Licence of the published data (SPDX): CC-BY-4.0, CC0-1.0 ...")
]


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("export", help=_HELP, no_args_is_help=True)(export)


def export(
    context: typer.Context,
    words: Annotated[list[str], typer.Argument(metavar="RUN...|FILTER", help="Run numbers, or filter words.")],
    output: Folder,
    form: Annotated[str, typer.Option("--format", metavar="FORMAT", help="csv, parquet or arrow.")] = "csv",
    bdf: Annotated[bool, typer.Option("--bdf", help="In the open battery data format, with its sidecar.")] = False,
    licence: Licence = "",
    institution: Annotated[
        str, typer.Option("--institution", metavar="NAME", help="First part of the names of --bdf files.")
    ] = "",
    force: Force = False,
) -> None:
    """Write runs into a folder."""
    session = session_of(context)
    from store.publish import export_bdf, export_runs

    library = session.open_library()
    run_ids = chosen_runs(library, words)
    force = may_write(session, output, force=force)
    with session.progress("exporting") as report:
        if bdf:
            names = export_bdf(library, run_ids, output, form, licence=licence, institution=institution, replace=force)
        else:
            names = export_runs(library, run_ids, output, form, licence=licence, replace=force, progress=report)
    session.say(f"{count(len(run_ids))} run{'' if len(run_ids) == 1 else 's'}, {len(names)} files in {output}.")
