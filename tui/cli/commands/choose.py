"""`joulebook choose` and `rate`: which one for a need, and a tester's own scheme applied to all devices alike."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tui.cli.base import JsonOption, examples, session_of, wrong_use
from tui.cli.commands.runs import print_rows
from tui.cli.session import Session, fail

if TYPE_CHECKING:
    from store.choose import Choice, Scheme

__all__ = ["register"]

_CHOOSE_HELP = examples(
    "Answer a need: what a device must do (gates), then what is left with its score, rank and how often it wins.",
    "joulebook choose --need need.toml",
    "joulebook choose --need need.toml --scheme field.toml",
    "joulebook choose --template > need.toml    a need to begin with, commented",
    "joulebook choose --need need.toml --json",
    more="Safety findings and claims that were not met are gates, never weights. A device that a gate can't judge, "
    "for a test is missing, is not let through; the answer names the test.",
)
_RATE_HELP = examples(
    "Rate all devices of a kind by one scheme: gates, criteria with fixed anchors, weights. Versions that were "
    "applied are kept; a new one shows whose rating moves.",
    "joulebook rate",
    "joulebook rate field.toml",
    "joulebook rate --print > field.toml        the scheme that ships, to edit",
    'joulebook rate field.toml --reason "heat counts more"',
)
TEMPLATE = """\
# A need, in plain terms. Leave out what doesn't matter. `joulebook choose --need need.toml` answers it.
title = "A day in the field"
kind = "power bank"        # power bank | adapter | cable

usable_wh = 40             # delivered, at about half of its rated output
hold_w = 30                # held to the battery's end
mass_g = 450               # at most
may_fly = "cabin"          # cabin (no approval) | approval (with the operator's); the operator's rules come first
price = 80                 # at most
currency = "EUR"
#full_in_h = 3             # charged within
#case_max_c = 55           # case at room temperature

claims = "gate"            # gate: a claim that was not met shuts a device out | note
excuse = []                # claims that are forgiven, by quantity: ["time_to_full_s"]
unsure = "keep"            # too close to call at a gate: keep (marked) | "shut out"

# Anything else that was measured can be a gate, under a condition of its own:
#[[gate]]
#quantity = "held_s"
#bound = "at least"
#value = 45
#unit = "min"
#port = "C1"
#load = "30 W"

# Weights of your own, by the titles of the scheme's criteria:
#[weights]
#"energy per mass" = 3
#"energy per price" = 1
"""


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("choose", help=_CHOOSE_HELP)(choose_device)
    app.command("rate", help=_RATE_HELP)(rate_devices)


def choose_device(
    context: typer.Context,
    need: Annotated[Path | None, typer.Option("--need", metavar="FILE", help="The need, as TOML.")] = None,
    scheme: Annotated[
        Path | None,
        typer.Option("--scheme", metavar="FILE", help="Criteria and weights; those that ship unless given."),
    ] = None,
    template: Annotated[bool, typer.Option("--template", help="Print a commented need, and end.")] = False,
    as_json: Annotated[bool, JsonOption] = False,
) -> int | None:
    """Answer a need."""
    session = session_of(context)
    if template:
        sys.stdout.write(TEMPLATE)
        return None
    if need is None:
        wrong_use("Which need? --need need.toml; `joulebook choose --template` prints one to begin with.")
    from store.choose.rating import answer_text

    chosen = _scheme(scheme) if scheme else None
    choice = answer_text(session.open_library(), _read(need), scheme=chosen, source=need.name)
    _print(session, choice, as_json=as_json)
    return None if choice.placed or choice.no_value else 1


def rate_devices(
    context: typer.Context,
    scheme: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="The scheme, as TOML; the one that ships unless given.")
    ] = None,
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why this version was made.")] = "",
    show: Annotated[bool, typer.Option("--print", help="Print the scheme that ships, and end.")] = False,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Apply a scheme, keep its version, and say whose rating moves."""
    session = session_of(context)
    from store.choose.rating import kept_schemes, moves, rate, save_scheme, shipped_scheme

    chosen = _scheme(scheme) if scheme else shipped_scheme()
    if show:
        sys.stdout.write(chosen.text)
        return
    library = session.open_library()
    before = [kept for kept in kept_schemes(library, chosen.name) if kept.version < chosen.version]
    save_scheme(library, chosen, reason=reason)
    choice = rate(library, chosen)
    moved = moves(rate(library, before[-1]), choice) if before else ()
    if as_json:
        session.document({**_document(choice), "moved": [asdict(move) for move in moved]})
        return
    _print(session, choice, as_json=False)
    if before:
        session.out()
        session.out(f"against version {before[-1].version}:" + ("" if moved else " no rating moves"))
        session.out_all(f"  {move.device}  {move.before} -> {move.after}" for move in moved)


def _scheme(path: Path) -> Scheme:
    from store.choose import read_scheme

    return read_scheme(_read(path), source=path.name)


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        fail(f"{path} is not UTF-8 text.")


def _print(session: Session, choice: Choice, *, as_json: bool) -> None:
    if as_json:
        session.document(_document(choice))
        return
    from tui.render.choice import answer_line, footnotes, placed_table, shut_table

    by = f"   by {choice.need.scheme}" if choice.need.scheme else ""
    session.out(f"{choice.need.title}{by}")
    session.out(answer_line(choice))
    columns, rows = shut_table(choice)
    if rows:
        session.out()
        session.out("shut out")
        print_rows(session, columns, rows)
    columns, rows = placed_table(choice, session.signs)
    if rows:
        session.out()
        for note in choice.notes[:1]:
            session.out(note)
        print_rows(session, columns, rows)
    session.out()
    for note in footnotes(choice):
        session.out(note)


def _document(choice: Choice) -> dict[str, Any]:
    shares = choice.shares
    return {
        "need": choice.need.title,
        "scheme": choice.need.scheme,
        "answer": choice.answer,
        "gates": [asdict(outcome) for outcome in choice.outcomes],
        "shut_out": list(choice.shut_out),
        "criteria": [
            {"title": c.title, "quantity": c.term.quantity, "unit": c.unit, "worst": c.worst, "best": c.best,
             "weight": c.weight} for c in choice.need.criteria
        ],
        "placed": [
            {
                "device": p.candidate.device,
                "score": p.score.value,
                "uncertainty": p.score.uncertainty,
                "geometric": p.geometric,
                "rank": [p.rank.best, p.rank.worst],
                "dominated_by": list(p.dominated_by),
                "unsure": list(p.unsure),
                "values": [
                    {"title": c.title, "value": v.value, "uncertainty": v.uncertainty, "share": share,
                     "run_ids": list(v.run_ids)}
                    for c, share in zip(choice.need.criteria, p.shares, strict=True)
                    for v in (p.candidate.values[c.term],)
                ],
                "first_near": shares.first(p.candidate.device) if shares else 1.0,
                "first_any": shares.any_weights[shares.devices.index(p.candidate.device)][0] if shares else 1.0,
            }
            for p in choice.placed
        ],
        "not_weighed": [{"device": device, "reason": reason} for device, reason in choice.no_value],
        "break_even": [asdict(even) for even in choice.break_evens],
        "notes": list(choice.notes),
    }  # fmt: skip
