"""`joulebook export`, `report` and `plot`: what leaves the library for others to read."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tui.cli.base import examples, session_of, wrong_use
from tui.cli.commands.runs import join_words, print_rows
from tui.cli.session import Session, fail
from tui.cli.words import as_typed
from tui.render.format import count, local_time
from tui.render.tables import Column

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

_REPORT_HELP = examples(
    "Publish a page on a device, or a comparison of several: figures with uncertainty, claims and verdicts, plots, "
    "course, methods, and an appendix with hashes and the SQL to redo each figure.",
    "joulebook report PB-03 -o pb-03",
    "joulebook report PB-02 PB-03 PB-07 -o comparison --format md",
    'joulebook report PB-03 -o pb-03 --reason "recharge repeated" --force',
    "joulebook report --list                    every report that was issued",
    "joulebook report --id R-0123456789 --version-number 1 -o old",
    more="A report keeps its id; where its content changed since it was issued it gets a new version, says what "
    "changed and why, and the old one is kept. What you say with --tester, --contact, --place and --opinion is "
    'kept for the next version; an empty text takes it away. --draft issues nothing. Needs the extra "report": '
    'pip install "joulebook[report]".',
)
_PLOT_HELP = examples(
    "Draw channels of runs over each other, from load applied, as SVG or PNG.",
    "joulebook plot 32 47 -o power.svg",
    "joulebook plot device:PB-03 kind:recharge --channel power_w --channel temperature_c -o recharge.png",
)

Folder = Annotated[Path, typer.Option("--output", "-o", metavar="DIR", help="The folder; made whole or not at all.")]
Force = Annotated[bool, typer.Option("--force", "-f", help="Write over files that are there, without asking.")]
Licence = Annotated[
    str, typer.Option("--licence", metavar="SPDX", help="Under which the data are published: CC-BY-4.0, CC0-1.0 ...")
]


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("report", help=_REPORT_HELP, no_args_is_help=True)(report)
    app.command("plot", help=_PLOT_HELP, no_args_is_help=True)(plot)
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
    from store.publish import export_bdf, export_runs

    library = session.open_library()
    run_ids = chosen_runs(library, words)
    force = _may_write(session, output, force=force)
    with session.progress("exporting") as report:
        if bdf:
            names = export_bdf(library, run_ids, output, form, licence=licence, institution=institution, replace=force)
        else:
            names = export_runs(library, run_ids, output, form, licence=licence, replace=force, progress=report)
    session.say(f"{count(len(run_ids))} run{'' if len(run_ids) == 1 else 's'}, {len(names)} files in {output}.")


def report(
    context: typer.Context,
    devices: Annotated[list[str] | None, typer.Argument(metavar="DEVICE...", help="Inventory codes.")] = None,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="DIR", help="The folder; made whole or not at all.")
    ] = None,
    form: Annotated[str, typer.Option("--format", metavar="FORMAT", help="html (one file) or md.")] = "html",
    lang: Annotated[str, typer.Option("--lang", metavar="LANG", help="Language: en.")] = "en",
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why there is a new version.")] = "",
    tester: Annotated[str | None, typer.Option("--tester", metavar="NAME", help="Who answers for it.")] = None,
    contact: Annotated[str | None, typer.Option("--contact", metavar="TEXT", help="How to reach them.")] = None,
    place: Annotated[str | None, typer.Option("--place", metavar="TEXT", help="Where it was tested.")] = None,
    opinion: Annotated[
        list[str] | None, typer.Option("--opinion", metavar="TEXT", help="Your own view, set apart; may be repeated.")
    ] = None,
    draft: Annotated[bool, typer.Option("--draft", help="Only look: issue nothing, keep nothing.")] = False,
    number: Annotated[str | None, typer.Option("--id", metavar="ID", help="One that was issued, as it was.")] = None,
    version: Annotated[
        int | None, typer.Option("--version-number", metavar="N", min=1, help="Which version of --id.")
    ] = None,
    listed: Annotated[bool, typer.Option("--list", help="List the reports that were issued, and end.")] = False,
    force: Force = False,
) -> None:
    """Gather, issue and write a report; or write one that was issued."""
    session = session_of(context)
    library = session.open_library()
    if listed:
        _list_reports(session, library)
        return
    if output is None:
        wrong_use("Where to? Name a folder with -o DIR.")
    from store.publish import load_issue
    from tui.render.pages.issuing import Published, publish
    from tui.render.pages.writing import need_extra, write_report

    need_extra()
    force = _may_write(session, output, force=force)
    if number is not None:
        issue = load_issue(library, number, version)
        done = Published(issue, tuple(write_report(issue, output, form, replace=force)))
    else:
        if not devices:
            wrong_use("Which device? joulebook report DEVICE -o DIR.")
        done = publish(
            library,
            devices,
            output,
            form=form,
            lang=lang,
            said={"tester": tester, "contact": contact, "place": place, "opinions": opinion},
            reason=reason,
            is_draft=draft,
            replace=force,
        )
    session.say(done.words() + ".")


def _list_reports(session: Session, library: Library) -> None:
    from store.publish.reports import issued_reports

    table = issued_reports(library)
    columns = [Column(name) for name in table.column_names]
    rows = [tuple(local_time(v) if isinstance(v, datetime) else v for v in row.values()) for row in table.to_pylist()]
    print_rows(session, columns, rows)


def _may_write(session: Session, folder: Path, *, force: bool) -> bool:
    """Whether files there may be written over: by --force, or because a person says yes."""
    from store.publish import FolderInUse
    from store.publish.folder import check_free

    try:
        check_free(folder, replace=force)
    except FolderInUse as used:
        session.confirm(f"{used} Write over files of the same names?", option="--force")
        return True
    return force


def plot(
    context: typer.Context,
    words: Annotated[list[str], typer.Argument(metavar="RUN...|FILTER", help="Run numbers, or filter words.")],
    output: Annotated[Path, typer.Option("--output", "-o", metavar="FILE", help="Ends in .svg or .png.")],
    channel: Annotated[
        list[str] | None, typer.Option("--channel", metavar="CHANNEL", help="power_w unless given; may be repeated.")
    ] = None,
    title: Annotated[str, typer.Option("--title", metavar="TEXT", help="Instead of the usual one.")] = "",
    force: Force = False,
) -> None:
    """Draw runs over each other."""
    session = session_of(context)
    from store.publish import plot_runs
    from tui.render.pages import write_plot
    from tui.render.pages.writing import need_extra

    need_extra()
    library = session.open_library()
    drawn = plot_runs(library, chosen_runs(library, words), channel or ["power_w"], title=title)
    if output.exists() and not force:
        session.confirm(f"{output} exists. Overwrite it?", option="--force")
        force = True
    write_plot(drawn, output, replace=force)
    session.say(f"{output}: {drawn.alt}")


def chosen_runs(library: Library, words: list[str]) -> list[int]:
    """Run numbers and spans such as `12-18`, or the runs that fit a filter.

    Raises:
        Refusal: no run fits.
    """
    from tui.cli.commands.edit import run_numbers

    typed = as_typed(words)
    if all(word.replace("-", "").isdigit() for word in typed):
        return run_numbers(typed)
    table = library.runs(join_words(typed), sort="run_id", limit=None).table
    found: list[int] = table.column("run_id").to_pylist()
    if not found:
        fail("No run fits. `joulebook runs` with the same words shows what does.")
    return found
