"""`joulebook report`: a page on a device or a comparison, issued."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tui.cli.base import examples, session_of, wrong_use
from tui.cli.listing import print_rows
from tui.cli.publishing import Force, may_write
from tui.cli.session import Session
from tui.render.format import local_time
from tui.render.tables import Head

if TYPE_CHECKING:
    from store import Library

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 290

_HELP = examples(
    "Publish a page on a device, or a comparison of several: figures with uncertainty, claims and verdicts, plots, "
    "course, methods, and an appendix with hashes and the SQL to redo each figure.",
    "joulebook report PB-03 -o pb-03",
    "joulebook report PB-02 PB-03 PB-07 -o comparison --format md",
    'joulebook report PB-03 -o pb-03 --reason "recharge repeated" --force',
    "joulebook report --list                    every report that was issued",
    "joulebook report --id R-0123456789 --version-number 1 -o old",
    more="A report keeps its id; where its content changed since it was issued it gets a new version, says what "
    "changed and why, and the old one is kept. --tester, --contact and --place are "
    "kept for every page of this library, --opinion for the next version of this one; an empty text removes it. "
    'The responsible tester is asked for once. --draft issues nothing. Needs the extra "report": '
    'pip install "joulebook[report]".',
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("report", help=_HELP, no_args_is_help=True)(report)


def report(
    context: typer.Context,
    devices: Annotated[list[str] | None, typer.Argument(metavar="DEVICE...", help="Inventory codes.")] = None,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="DIR", help="Output folder; written completely or not at all."),
    ] = None,
    form: Annotated[str, typer.Option("--format", metavar="FORMAT", help="html (one file) or md.")] = "html",
    lang: Annotated[str, typer.Option("--lang", metavar="LANG", help="Language: en.")] = "en",
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Reason for the new version.")] = "",
    tester: Annotated[str | None, typer.Option("--tester", metavar="NAME", help="Responsible tester.")] = None,
    contact: Annotated[str | None, typer.Option("--contact", metavar="TEXT", help="How to reach them.")] = None,
    place: Annotated[str | None, typer.Option("--place", metavar="TEXT", help="Where it was tested.")] = None,
    opinion: Annotated[
        list[str] | None, typer.Option("--opinion", metavar="TEXT", help="Your opinion, shown separately; repeatable.")
    ] = None,
    draft: Annotated[bool, typer.Option("--draft", help="Write a draft; nothing is issued or stored.")] = False,
    number: Annotated[
        str | None, typer.Option("--id", metavar="ID", help="Write an issued version again, unchanged.")
    ] = None,
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
        wrong_use("Missing -o DIR (output folder).")
    from store.publish import load_issue
    from store.publish.signature import kept_signature
    from tui.render.pages.issuing import Published, publish
    from tui.render.pages.writing import need_extra, write_report

    need_extra()
    force = may_write(session, output, force=force)
    if number is not None:
        issue = load_issue(library, number, version)
        done = Published(issue, tuple(write_report(issue, output, form, replace=force)))
    else:
        if not devices:
            wrong_use("Which device? joulebook report DEVICE -o DIR.")
        if tester is None and not draft and "tester" not in kept_signature(library):
            tester = session.ask("Responsible tester, as printed on this library's pages (empty: not stated):")
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
    columns = [Head(name) for name in table.column_names]
    rows = [tuple(local_time(v) if isinstance(v, datetime) else v for v in row.values()) for row in table.to_pylist()]
    print_rows(session, columns, rows)
