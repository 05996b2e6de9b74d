"""`joulebook pair`: which recharge a discharge is set against."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, wrong_use
from tui.cli.listing import print_rows
from tui.cli.run_numbers import Reason, run_numbers
from tui.render.tables import Head

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 190

_HELP = examples(
    "Pair a discharge with a recharge by hand, for its round trip, where the pairing by dates is wrong; or list the "
    "pairs made by hand.",
    "joulebook pair",
    'joulebook pair 47 36 --reason "36 put back what 47 took"',
    more="Unless paired by hand, a full discharge goes with the next full recharge of its device at an ambient within "
    "3 K, else with the last one before it. Mains and port side of an adapter are laid together by `joulebook group`.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("pair", help=_HELP)(pair)


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
        made = session.open_library().runs.pair(numbers, reason=reason)
        if as_json:
            session.document(made)
        else:
            session.say(f"Discharge {made.discharge_id} is paired with recharge {made.recharge_id}.")
        return
    found = session.open_library().runs.pairs()
    if as_json:
        session.document(found)
        return
    columns = [Head("discharge", is_number=True), Head("recharge", is_number=True)]
    print_rows(session, columns, [(p.discharge_id, p.recharge_id) for p in found])
    if not found:
        session.say("There are no manual pairs: dates and ambient decide.")
