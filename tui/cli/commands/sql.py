"""`joulebook sql`: one question to the library, reads only."""

from __future__ import annotations

import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tui.cli.base import examples, session_of, wrong_use
from tui.cli.listing import print_rows
from tui.cli.session import Session, fail
from tui.cli.streams import is_terminal
from tui.render.format import count
from tui.render.plain import plain, width_of
from tui.render.tables import Head

if TYPE_CHECKING:
    from store.model.records import Answer

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 70

FORMATS = ("table", "csv", "json", "parquet", "arrow")
_BY_ENDING = {".csv": "csv", ".json": "json", ".parquet": "parquet", ".arrow": "arrow", ".txt": "table"}
TABLE_LIMIT = 10_000

_SHORT = "Query the library in SQL: one SELECT over the views below; it only reads."
_HELP = examples(
    _SHORT,
    'joulebook sql "SELECT device, max(energy_wh) AS wh FROM runs GROUP BY device ORDER BY wh DESC"',
    'joulebook sql "SELECT * FROM results WHERE run_id = 12" --format csv -o results.csv',
    "joulebook sql --views",
    "echo 'FROM verdicts' | joulebook sql - --format json",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    from tui.cli.sql_views import views_help

    app.command("sql", help=_HELP + "\n\n" + views_help(), short_help=_SHORT)(ask)


def ask(
    context: typer.Context,
    question: Annotated[
        str | None, typer.Argument(metavar="SQL", help="One SELECT; - reads it from standard input.")
    ] = None,
    form: Annotated[
        str | None,
        typer.Option(
            "--format",
            metavar="|".join(FORMATS),
            help="Output format (default: by the file's extension, else a table).",
        ),
    ] = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="FILE", help="Write to a file instead of standard output.")
    ] = None,
    limit: Annotated[
        int | None,
        typer.Option(
            "--limit",
            min=0,
            help=f"Maximum number of rows; 0 for all. Default: {TABLE_LIMIT:,} for a table, all otherwise.",
        ),
    ] = None,
    timeout: Annotated[
        float | None, typer.Option("--timeout", metavar="SECONDS", min=0.0, help="Time limit in seconds.")
    ] = None,
    raw: Annotated[
        bool, typer.Option("--raw", help="Do not escape cells that a spreadsheet would treat as formulas.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", "-f", help="Overwrite the file if it is there.")] = False,
    views: Annotated[bool, typer.Option("--views", help="List views, columns and names of results, and end.")] = False,
) -> None:
    """Run a question and write its answer."""
    session = session_of(context)
    if views:
        _print_views(session)
        return
    chosen = _format(form, output)
    if output is not None and output.exists() and not force:
        fail(f"{output} exists. Name another file, or overwrite it with --force.")
    wanted = limit if limit is not None else (TABLE_LIMIT if chosen == "table" else 0)
    answer = _answer(session, _sql(question), wanted or None, timeout)
    _write(session, answer, chosen, output, raw=raw)
    rows = answer.table.num_rows
    cut = " Limit reached: there are more rows; `--limit 0` gives all." if answer.is_cut else ""
    session.say(f"{count(rows)} row{'' if rows == 1 else 's'} in {answer.elapsed_s:.2f} s.{cut}")


def _sql(question: str | None) -> str:
    if question is None:
        wrong_use('`joulebook sql` needs a question: joulebook sql "SELECT ...". `joulebook sql --views` lists views.')
    if question != "-":
        return question
    if is_terminal(sys.stdin):
        wrong_use("`-` reads the query from standard input, and nothing is piped in.")
    return sys.stdin.read()


def _format(form: str | None, output: Path | None) -> str:
    chosen = form or (_BY_ENDING.get(output.suffix.lower()) if output else "table")
    if chosen not in FORMATS:
        named = f"`{form}`" if form else f"the ending of {output}"
        wrong_use(f"{named} is not a format. Use --format {', '.join(FORMATS[:-1])} or {FORMATS[-1]}.")
    if chosen in {"parquet", "arrow"} and output is None and is_terminal(sys.stdout):
        wrong_use(f"{chosen} is not for reading on a terminal. Name a file with -o FILE.")
    return chosen


def _answer(session: Session, sql: str, limit: int | None, timeout: float | None) -> Answer:
    """Run the question in a thread, so that Ctrl-C can interrupt it at once."""
    library = session.open_library()
    query = library.sql.query(sql, limit=limit, timeout_s=timeout)
    done: list[Answer] = []
    failed: list[BaseException] = []

    def work() -> None:
        try:
            done.append(query.run())
        except BaseException as error:  # noqa: BLE001 (handed to the waiting thread)
            failed.append(error)
        finally:
            ended.set()

    ended = threading.Event()  # a join that Ctrl-C interrupts takes the thread for ended in Python 3.11
    thread = threading.Thread(target=work, name="question")
    thread.start()
    try:
        while not ended.wait(0.1):
            pass
    except KeyboardInterrupt:
        query.interrupt()
        ended.wait()
        raise
    finally:
        thread.join()
    if failed:
        _point_at(sql, failed[0])
        raise failed[0]
    return done[0]


def _point_at(sql: str, error: BaseException) -> None:
    """Turn a complaint with a place into one that shows the place in the question."""
    position = getattr(error, "position", None)
    if position is None:
        return
    before = sql[:position]
    line = sql.splitlines()[before.count("\n")] if sql.splitlines() else ""
    column = position - (before.rfind("\n") + 1)
    pointer = " " * width_of(plain(line[:column])) + "^"
    fail(f"{error}\n  {plain(line)}\n  {pointer}")


def _print_views(session: Session) -> None:
    """Every view with its columns and their types; then what `results.name` can be, with label and unit."""
    from store.methods.specs import specs  # loads every reducer

    rows = [
        (view, name, kind) for view, columns in session.open_library().sql.views().items() for name, kind in columns
    ]
    rows += [("results.name", s.name, f"{s.label}{f' [{s.unit}]' if s.unit != '1' else ''}") for s in specs().values()]
    print_rows(session, [Head("view"), Head("column"), Head("type")], rows)


def _write(session: Session, answer: Answer, form: str, output: Path | None, *, raw: bool) -> None:
    from tui.render import answers  # loads pyarrow's writers

    if output is None and form == "table":
        columns, rows = answers.table_cells(answer.table)
        print_rows(session, columns, rows)
    elif output is None and form == "json":
        session.document(answer.table.to_pylist())
    elif output is None:
        sys.stdout.flush()
        answers.write(answer.table, form, sys.stdout.buffer, raw=raw)
        sys.stdout.buffer.flush()
    else:
        answers.save(answer.table, form, output, raw=raw)
