"""`joulebook group`: simultaneous runs on one time base."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things, wrong_use
from tui.cli.listing import print_rows
from tui.cli.run_numbers import Reason, Runs, run_numbers
from tui.render.format import number
from tui.render.tables import Head

__all__ = ["HELP_ORDER", "register", "stated_offsets"]

HELP_ORDER = 170

_HELP = examples(
    "Put simultaneous runs on a common time base: two ports, mains and DC side, a thermometer beside a meter. "
    "The first run's clock is the reference.",
    "joulebook group 41 42                     by when they started",
    "joulebook group 41 42 --by event          by the load that both saw switched on",
    "joulebook group 41 42 --offset 42=3.5     run 42 began 3.5 s after run 41",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("group", help=_HELP, no_args_is_help=True)(group)


def group(
    context: typer.Context,
    runs: Runs,
    by: Annotated[
        str | None,
        typer.Option("--by", metavar="times|event", help="How clocks are matched; default times."),
    ] = None,
    offset: Annotated[
        list[str] | None,
        typer.Option("--offset", metavar="RUN=SECONDS", help="State a run's offset to the first; repeatable."),
    ] = None,
    reason: Reason = "",
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Group runs."""
    session = session_of(context)
    numbers = run_numbers(runs)
    offsets = stated_offsets(offset or [])
    if by not in {None, "times", "event"}:
        wrong_use(f"--by {by}: say times or event; stated offsets are --offset RUN=SECONDS.")
    if by and offsets:
        wrong_use("Either --by or --offset, not both.")
    how = "stated" if offsets else by or "times"
    members = session.open_library().runs.group(numbers, how=how, offsets_s=offsets, reason=reason)
    if as_json:
        session.document(members)
        return
    columns = [
        Head("run", is_number=True),
        Head("offset s", is_number=True),
        Head("uncertainty s", is_number=True),
    ]
    rows: list[tuple[object, ...]] = [
        (member.run_id, number(member.offset_s, 3), number(member.uncertainty_s, 3)) for member in members
    ]
    print_rows(session, columns, rows)
    session.say(
        f"{things(len(members), 'run')} on one clock, matched by {how if how != 'stated' else 'stated offsets'}."
    )


def stated_offsets(words: list[str]) -> dict[int, float]:
    """Offsets from words such as `42=3.5`."""
    offsets: dict[int, float] = {}
    for word in words:
        run, mark, seconds = word.partition("=")
        try:
            offsets[run_numbers([run])[0]] = float(seconds)
        except ValueError:
            mark = ""
        if not mark:
            wrong_use(f"--offset {word}: write --offset RUN=SECONDS, as --offset 42=3.5.")
    return offsets
