"""`joulebook join`: parts of one log as one run."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of
from tui.cli.commands.group import stated_offsets
from tui.cli.run_numbers import Reason, Runs, run_numbers
from tui.render.format import number

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 172

_HELP = examples(
    "Make parts of one log one run: a file that was split, a meter that was restarted. Results are made once over the "
    "whole; `joulebook part` takes it back exactly.",
    "joulebook join 41 42                      by start times, or a counter that continues",
    "joulebook join 41 42 --offset 42=3600     run 42 began 3600 s after run 41",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("join", help=_HELP, no_args_is_help=True)(join)


def join(
    context: typer.Context,
    runs: Runs,
    offset: Annotated[
        list[str] | None,
        typer.Option("--offset", metavar="RUN=SECONDS", help="State when a run began, from the first; repeatable."),
    ] = None,
    reason: Reason = "",
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Join runs."""
    session = session_of(context)
    numbers = run_numbers(runs)
    done = session.open_library().runs.join(numbers, offsets_s=stated_offsets(offset or []), reason=reason)
    if as_json:
        session.document(done)
        return
    told = ", ".join(f"run {part} at {number(at, 3)} s" for part, at in zip(done.parts, done.offsets_s, strict=True))
    session.say(f"Run {done.run_id} holds {told}. `joulebook part {done.run_id}` undoes that.")
    for warning in done.warnings:
        session.say(warning)
