"""`joulebook pair` and `unpair`: which recharge a discharge is set against."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, wrong_use
from tui.cli.commands.edit import Reason, run_numbers
from tui.cli.commands.runs import print_rows, run_number
from tui.render.tables import Column

__all__ = ["register"]

_PAIR_HELP = examples(
    "Pair a discharge with a recharge by hand, for its round trip, where the pairing by dates is wrong; or list the "
    "pairs made by hand.",
    "joulebook pair",
    'joulebook pair 47 36 --reason "36 put back what 47 took"',
    more="Unless paired by hand, a full discharge goes with the next full recharge of its device at an ambient within "
    "3 K, else with the last one before it. Mains and port side of an adapter are laid together by `joulebook group`.",
)
_UNPAIR_HELP = examples("Take a pair made by hand away; dates decide again.", "joulebook unpair 47")


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("pair", help=_PAIR_HELP)(pair)
    app.command("unpair", help=_UNPAIR_HELP, no_args_is_help=True)(unpair)


def pair(
    context: typer.Context,
    runs: Annotated[list[str] | None, typer.Argument(metavar="[RUN RUN]", help="One discharge, one recharge.")] = None,
    reason: Reason = "",
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Pair two runs, or list pairs."""
    session = session_of(context)
    if runs:
        numbers = run_numbers(runs)
        if len(numbers) != 2:
            wrong_use("A pair is two runs: `joulebook pair 47 36`.")
        made = session.open_library().pair(numbers, reason=reason)
        if as_json:
            session.document(made)
        else:
            session.say(f"Discharge {made.discharge_id} is set against recharge {made.recharge_id}.")
        return
    found = session.open_library().pairs()
    if as_json:
        session.document(found)
        return
    columns = [Column("discharge", is_number=True), Column("recharge", is_number=True)]
    print_rows(session, columns, [(p.discharge_id, p.recharge_id) for p in found])
    if not found:
        session.say("No pairs were made by hand: dates and ambient decide.")


def unpair(
    context: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help="The discharge, or the recharge for all of its pairs.")],
    reason: Reason = "",
) -> None:
    """Take a pair away."""
    session = session_of(context)
    number = run_number(run)
    was = session.open_library().unpair(number, reason=reason)
    session.say("Dates and ambient decide again." if was else f"Run {number} was in no pair made by hand.")
