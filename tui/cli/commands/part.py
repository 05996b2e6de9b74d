"""`joulebook part`: a joined run as its parts again, or one log as several runs."""

from __future__ import annotations

import re
from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, wrong_use
from tui.cli.run_numbers import Reason, run_numbers

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 174

_HELP = examples(
    "Undo a join: the parts get their numbers, facts and results back. With --at, split one log into several runs; "
    "`joulebook join` undoes that.",
    "joulebook part 43                     the parts of run 43",
    "joulebook part 12 --at 1:02:00        a second run from 1 h 2 min on",
    "joulebook part 12 --at 600 --at 900    three runs",
)
_TIME = re.compile(r"(?:(?:(?P<h>\d+):)?(?P<m>\d+):)?(?P<s>\d+(?:\.\d+)?)", re.ASCII)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("part", help=_HELP, no_args_is_help=True)(part)


def part(
    context: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's number.")],
    at: Annotated[
        list[str] | None,
        typer.Option("--at", metavar="TIME", help="Where the next run begins: 1:02:00 or seconds; repeatable."),
    ] = None,
    reason: Reason = "",
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Part a run."""
    session = session_of(context)
    numbers = run_numbers([run])
    if len(numbers) != 1:
        wrong_use("One run at a time.")
    done = session.open_library().runs.part(numbers[0], [_seconds(word) for word in at or []], reason=reason)
    if as_json:
        session.document(done)
        return
    runs = ", ".join(map(str, done.runs))
    if done.is_back:
        session.say(f"Runs {runs} are there again as they were before they were joined into run {done.run_id}.")
    else:
        listed = " ".join(map(str, done.runs))
        session.say(f"Run {done.run_id} is runs {runs} now. `joulebook join {listed}` undoes that.")


def _seconds(word: str) -> float:
    found = _TIME.fullmatch(word)
    if found is None:
        wrong_use(f"--at {word}: write a time as 1:02:00, 62:00 or seconds.")
    return 3600 * int(found["h"] or 0) + 60 * int(found["m"] or 0) + float(found["s"])
