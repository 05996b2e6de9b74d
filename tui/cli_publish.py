"""`joulebook export`, `report` and `plot`: what leaves the library for others to read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tui.cli_base import examples, fail, session_of
from tui.cli_runs import join_words
from tui.cli_words import as_typed
from tui.format import count

if TYPE_CHECKING:
    from store import Library

__all__ = ["register"]

_EXPORT_HELP = examples(
    "Write runs as plain files: samples, facts and results, with a datapackage.json that names columns, units, "
    "sources and hashes. Runs by their numbers, or all that fit a filter.",
    "joulebook export 12 13 -o out",
    "joulebook export device:PB-03 kind:discharge -o out --format parquet --licence CC-BY-4.0",
    "joulebook export 12 -o out --bdf           the open battery data format, for runs of power banks",
    more="Every trace is held against its hash first; a damaged one is named and nothing is written.",
)

Folder = Annotated[Path, typer.Option("--output", "-o", metavar="DIR", help="The folder; made whole or not at all.")]
Force = Annotated[bool, typer.Option("--force", "-f", help="Write over files that are there, without asking.")]
Licence = Annotated[
    str, typer.Option("--licence", metavar="SPDX", help="Under which the data are published: CC-BY-4.0, CC0-1.0 ...")
]


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("export", help=_EXPORT_HELP, no_args_is_help=True)(export)


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
    from store.publish import FolderInUse, export_bdf, export_runs
    from store.publish.folder import check_free

    library = session.open_library()
    run_ids = chosen_runs(library, words)
    try:
        check_free(output, replace=force)
    except FolderInUse as used:
        session.confirm(f"{used} Write over files of the same names?", option="--force")
        force = True
    with session.progress("exporting") as report:
        if bdf:
            names = export_bdf(library, run_ids, output, form, licence=licence, institution=institution, replace=force)
        else:
            names = export_runs(library, run_ids, output, form, licence=licence, replace=force, progress=report)
    session.say(f"{count(len(run_ids))} run{'' if len(run_ids) == 1 else 's'}, {len(names)} files in {output}.")


def chosen_runs(library: Library, words: list[str]) -> list[int]:
    """Run numbers and spans such as `12-18`, or the runs that fit a filter.

    Raises:
        Refusal: no run fits.
    """
    from tui.cli_edit import run_numbers

    typed = as_typed(words)
    if all(word.replace("-", "").isdigit() for word in typed):
        return run_numbers(typed)
    table = library.runs(join_words(typed), sort="run_id", limit=None).table
    found: list[int] = table.column("run_id").to_pylist()
    if not found:
        fail("No run fits. `joulebook runs` with the same words shows what does.")
    return found
