"""`joulebook choose`: which device for a need."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, wrong_use
from tui.cli.publishing import Force, may_write
from tui.cli.weighing import print_choice, read_need, scheme_of

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 320

_HELP = examples(
    "Find devices that meet a set of requirements (gates), and rank them by score, with how often each comes first.",
    "joulebook choose --need need.toml",
    "joulebook choose --need need.toml --scheme field.toml",
    "joulebook choose --template > need.toml    a need to begin with, commented",
    "joulebook choose --need need.toml --json",
    "joulebook choose --need need.toml -o choice      a page to publish",
    more="Safety findings and claims that were not met are gates, never weights. A device that a gate can't judge, "
    "because a test is missing, is excluded; the answer names the test.",
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

claims = "gate"            # gate: a claim that was not met excludes a device | note
ignore_claims = []         # claims that do not count, by quantity: ["time_to_full_s"]
borderline = "keep"        # too close to call at a gate: keep (marked) | "exclude"

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
    """Add the command to the program."""
    app.command("choose", help=_HELP)(choose_device)


def choose_device(
    context: typer.Context,
    need: Annotated[Path | None, typer.Option("--need", metavar="FILE", help="The need, as TOML.")] = None,
    scheme: Annotated[
        Path | None,
        typer.Option("--scheme", metavar="FILE", help="Criteria and weights (default: the scheme that ships)."),
    ] = None,
    template: Annotated[bool, typer.Option("--template", help="Print a commented need, and end.")] = False,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="DIR", help="Write the answer as a page into this folder.")
    ] = None,
    form: Annotated[str, typer.Option("--format", metavar="FORMAT", help="Of the page: html, md or json.")] = "html",
    as_json: Annotated[bool, JsonOption] = False,
    force: Force = False,
) -> int | None:
    """Answer a need."""
    session = session_of(context)
    if template:
        sys.stdout.write(TEMPLATE)
        return None
    if need is None:
        wrong_use("Missing --need FILE; `joulebook choose --template` prints one to begin with.")
    from store.choose.rating import answer_text

    chosen = scheme_of(scheme) if scheme else None
    library = session.open_library()
    choice = answer_text(library, read_need(need), scheme=chosen, source=need.name)
    if output is not None:
        from tui.render.pages.issuing import write_choice

        files = write_choice(library, choice, output, form, replace=may_write(session, output, force=force))
        session.say(f"{choice.need.title}: {files[0]}.")
    else:
        print_choice(session, choice, as_json=as_json)
    return None if choice.placed or choice.no_value else 1
