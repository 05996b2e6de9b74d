"""`joulebook runs`, `show` and `why`: reading the library without the interface."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

import typer

from tui.cli.base import JsonOption, examples, session_of, wrong_use
from tui.cli.session import Session
from tui.cli.streams import is_terminal
from tui.cli.words import as_typed
from tui.render.format import Signs, count, hours_minutes, local_date, short_mode, significant
from tui.render.json_values import jsonable
from tui.render.tables import Column, tabbed, table

if TYPE_CHECKING:
    from store import Library
    from store.model.records import RunPage

__all__ = ["print_rows", "register", "terminal_width"]

PAGE = 500
"""Rows that text output shows unless asked otherwise: more than anybody reads, less than a flood."""

_RUNS_HELP = examples(
    "List runs, newest first. Filter words narrow the list: FIELD:VALUE, FIELD>NUMBER, since:, until:, "
    "free text over names and notes, and -WORD to leave out.",
    "joulebook runs",
    "joulebook runs port:C1 mode:20V kind:discharge",
    "joulebook runs device:PB-03 'wh>50' since:2026-02 -quality:rejected",
    "joulebook runs --json kind:heat",
    more="The words are the same as in the interface. Quote > and < from the shell.",
)
_SHOW_HELP = examples(
    "Show one run: its facts, results with uncertainty, events, a small trace per channel, and where it came from.",
    "joulebook show 12",
    "joulebook show 12 --json",
)
_WHY_HELP = examples(
    "Say how a result of a run came about: formula, inputs, span, uncertainty budget, and the SQL to get it again.",
    "joulebook why 12 energy_wh",
    "joulebook why 12 held_s --json",
)


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("runs", help=_RUNS_HELP)(list_runs)
    app.command("show", help=_SHOW_HELP, no_args_is_help=True)(show_run)
    app.command("why", help=_WHY_HELP, no_args_is_help=True)(explain_result)


def list_runs(
    context: typer.Context,
    words: Annotated[list[str] | None, typer.Argument(metavar="[FILTER]...", help="Filter words.")] = None,
    sort: Annotated[
        str, typer.Option("--sort", metavar="COLUMN", help="Column to sort by; -COLUMN for descending.")
    ] = "-started_at",
    limit: Annotated[
        int | None,
        typer.Option("--limit", min=0, help=f"Most runs to list; 0 for all. Unless given: {PAGE}, all with --json."),
    ] = None,
    as_json: Annotated[bool, JsonOption] = False,
) -> int | None:
    """Print the list of runs."""
    session = session_of(context)
    filter_text = join_words(as_typed(words or []))
    library = session.open_library()
    wanted = limit if limit is not None else (0 if as_json or session.is_plain else PAGE)
    page = library.runs(filter_text, sort=as_typed([sort])[0], limit=wanted or None)
    if as_json:
        session.document(page.table.to_pylist())
        return None
    _print_runs(session, library, page)
    return None


def join_words(words: list[str]) -> str:
    """Filter words as one line; a word that the shell gave with a space in it is quoted again.

    `["mode:fixed 20 V", "a"]` becomes `mode:"fixed 20 V" a`.
    """
    joined = []
    for word in words:
        if " " in word and '"' not in word and len(words) > 0 and not _is_line(word):
            head, mark, tail = word.partition(":")
            joined.append(f'{head}:"{tail}"' if mark and " " not in head else f'"{word}"')
        else:
            joined.append(word)
    return " ".join(joined)


def _is_line(word: str) -> bool:
    """Whether one argument is itself a line of several filter words: `"port:C1 kind:heat"`."""
    return sum(part.count(":") + part.count(">") + part.count("<") > 0 for part in word.split()) > 1


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
) -> tuple[list[Column], list[tuple[object, ...]]]:
    """Head and cells of the list of runs; for programs the same columns and words at all times."""
    columns = [
        Column("run", is_number=True),
        Column("date"),
        Column("device", may_shrink=True),
        Column("port", may_shrink=True),
        Column("mode", may_shrink=True),
        Column("kind"),
        Column("load", may_shrink=True),
        Column("Wh", is_number=True),
        Column("h:mm", is_number=True),
        Column(signs.degree_c, is_number=True),
        Column("quality"),
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
            significant(run.get("temperature_max_c"), 3, most_decimals=1),
            "" if run.get("quality") in (None, "ok") else run["quality"],
        )
        for run in runs
    ]
    if not is_plain and not any(row[-1] for row in rows):
        return columns[:-1], [row[:-1] for row in rows]
    return columns, rows


def print_rows(session: Session, columns: Sequence[Column], rows: Sequence[Sequence[object]]) -> None:
    """Print a table: aligned, or parted by tabs with --plain."""
    if session.is_plain:
        session.out_all(line for line in tabbed(columns, rows))
    else:
        session.out_all(table(columns, rows, width=terminal_width(), ellipsis=session.signs.ellipsis))


def terminal_width() -> int | None:
    """Cells in a line of the terminal; None where standard output is a pipe or a file."""
    return shutil.get_terminal_size().columns if is_terminal(sys.stdout) else None


def show_run(
    context: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's number, as `joulebook runs` lists it.")],
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Print everything about one run."""
    from tui.render.run import run_document, run_lines

    session = session_of(context)
    number = run_number(run)
    view = session.open_library().run(number)
    if as_json:
        session.document(run_document(view))
    else:
        session.out_all(run_lines(view, signs=session.signs, width=terminal_width(), strips=not session.is_plain))


def explain_result(
    context: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's number.")],
    result: Annotated[str, typer.Argument(metavar="RESULT", help="The result's name, as `joulebook show` lists it.")],
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Print how a result came about."""
    from tui.render.why import why_lines

    session = session_of(context)
    number = run_number(run)
    library = session.open_library()
    account = library.why(number, result)
    sql = library.redo_sql(number, result)
    if as_json:
        session.document({"run_id": number, **jsonable(account), "sql": sql})
    else:
        session.out_all(why_lines(account, number, sql, signs=session.signs, width=terminal_width()))


def run_number(word: str) -> int:
    """A run's number from what a person typed.

    Raises:
        Refusal: with status 2 where it is no number.
    """
    if not word.isascii() or not word.isdigit() or len(word) > 18:
        wrong_use(f"`{word}` is no run number. `joulebook runs` lists the runs with their numbers.")
    return int(word)
