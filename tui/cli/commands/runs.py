"""`joulebook runs`: the list of runs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

import typer

from tui.cli.base import JsonOption, examples, session_of
from tui.cli.completing import offer_filters
from tui.cli.session import Session
from tui.cli.words import as_typed
from tui.render.format import Signs, count, hours_minutes, local_date, short_mode, significant
from tui.render.tables import Head
from tui.state.run_columns import CASE_TEMPERATURE

if TYPE_CHECKING:
    from store import Library
    from store.model.records import RunPage
from tui.cli.listing import join_words, print_rows

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 40

PAGE = 500
"""Rows that text output shows unless asked otherwise: more than anybody reads, less than a flood."""


_HELP = examples(
    "List runs, newest first. Filter words narrow the list: FIELD:VALUE, FIELD>NUMBER, since:, until:, "
    "free text over names and notes, and -WORD to leave out.",
    "joulebook runs",
    "joulebook runs port:C1 mode:20V kind:discharge",
    "joulebook runs device:PB-03 'wh>50' since:2026-02 -quality:rejected",
    "joulebook runs --json kind:heat",
    more="The words are the same as in the interface. Quote > and < from the shell.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("runs", help=_HELP)(list_runs)


def list_runs(
    context: typer.Context,
    words: Annotated[
        list[str] | None, typer.Argument(metavar="[FILTER]...", help="Filter words.", autocompletion=offer_filters)
    ] = None,
    sort: Annotated[
        str, typer.Option("--sort", metavar="COLUMN", help="Column to sort by; -COLUMN for descending.")
    ] = "-started_at",
    limit: Annotated[
        int | None,
        typer.Option("--limit", min=0, help=f"Maximum number of runs; 0 for all. Default: {PAGE}, all with --json."),
    ] = None,
    as_json: Annotated[bool, JsonOption] = False,
) -> int | None:
    """Print the list of runs."""
    session = session_of(context)
    filter_text = join_words(as_typed(words or []))
    library = session.open_library()
    wanted = limit if limit is not None else (0 if as_json or session.is_plain else PAGE)
    page = library.runs.page(filter_text, sort=as_typed([sort])[0], limit=wanted or None)
    if as_json:
        session.document(page.table.to_pylist())
        return None
    _print_runs(session, library, page)
    return None


def _print_runs(session: Session, library: Library, page: RunPage) -> None:
    columns, rows = run_rows(page.table.to_pylist(), session.signs, library, is_plain=session.is_plain)
    print_rows(session, columns, rows)
    listed = page.table.num_rows
    of_all = f"{count(page.shown)} of {count(page.total)} runs"
    if listed < page.shown:
        of_all += f"; the first {count(listed)} are listed, `--limit 0` lists all"
    elif page.total == 0:
        of_all = "The library holds no runs yet. `joulebook import FILE` adds some."
    session.say(of_all)


def run_rows(
    runs: list[Mapping[str, Any]], signs: Signs, library: Library, *, is_plain: bool
) -> tuple[list[Head], list[tuple[object, ...]]]:
    """Head and cells of the list of runs; for programs the same columns and words at all times."""
    columns = [
        Head("run", is_number=True),
        Head("date"),
        Head("device", may_shrink=True),
        Head("port", may_shrink=True),
        Head("mode", may_shrink=True),
        Head("kind"),
        Head("load", may_shrink=True),
        Head("Wh", is_number=True),
        Head("h:mm", is_number=True),
        Head(signs.degree_c, is_number=True),
        Head("quality"),
    ]
    zone = ZoneInfo(library.zone)
    rows: list[tuple[object, ...]] = [
        (
            run["run_id"],
            local_date(run.get("started_at"), zone),
            run.get("device"),
            run.get("port"),
            (run.get("mode") or "") if is_plain else short_mode(run.get("mode") or ""),
            run.get("kind"),
            run.get("load_set"),
            significant(run.get("energy_wh"), 4, most_decimals=2),
            hours_minutes(run.get("duration_s")),
            significant(run.get(CASE_TEMPERATURE), 3, most_decimals=1),
            "" if run.get("quality") in (None, "ok") else run["quality"],
        )
        for run in runs
    ]
    if not is_plain and not any(row[-1] for row in rows):
        return columns[:-1], [row[:-1] for row in rows]
    return columns, rows
