"""`joulebook rate`: a rating scheme applied to all devices."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of
from tui.cli.weighing import choice_data, print_choice, scheme_of

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 330

_HELP = examples(
    "Rate all devices of a kind by one scheme: gates, criteria with fixed anchors, weights. Every version "
    "used is kept; a new one lists the ratings that change.",
    "joulebook rate",
    "joulebook rate field.toml",
    "joulebook rate --print > field.toml        the scheme that ships, to edit",
    'joulebook rate field.toml --reason "heat counts more"',
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("rate", help=_HELP)(rate_devices)


def rate_devices(
    context: typer.Context,
    scheme: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="The scheme, as TOML (default: the one that ships).")
    ] = None,
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Reason for this version.")] = "",
    show: Annotated[bool, typer.Option("--print", help="Print the scheme that ships, and end.")] = False,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Apply a scheme, keep its version, and say whose rating moves."""
    session = session_of(context)
    from store.choose.rating import kept_schemes, moves, rate, save_scheme, shipped_scheme

    chosen = scheme_of(scheme) if scheme else shipped_scheme()
    if show:
        sys.stdout.write(chosen.text)
        return
    library = session.open_library()
    before = [kept for kept in kept_schemes(library, chosen.name) if kept.version < chosen.version]
    save_scheme(library, chosen, reason=reason)
    choice = rate(library, chosen)
    moved = moves(rate(library, before[-1]), choice) if before else ()
    if as_json:
        session.document({**choice_data(choice), "moved": [asdict(move) for move in moved]})
        return
    print_choice(session, choice, as_json=False)
    if before:
        session.out()
        session.out(f"against version {before[-1].version}:" + ("" if moved else " no rating moves"))
        session.out_all(f"  {move.device}  {move.before} -> {move.after}" for move in moved)
