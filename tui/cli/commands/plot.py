"""`joulebook plot`: runs drawn over each other."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tui.cli.base import examples, session_of
from tui.cli.publishing import Force, chosen_runs

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 300

_HELP = examples(
    "Draw channels of runs over each other, from load applied, as SVG or PNG.",
    "joulebook plot 32 47 -o power.svg",
    "joulebook plot device:PB-03 kind:recharge --channel power_w --channel temperature_c -o recharge.png",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("plot", help=_HELP, no_args_is_help=True)(plot)


def plot(
    context: typer.Context,
    words: Annotated[list[str], typer.Argument(metavar="RUN...|FILTER", help="Run numbers, or filter words.")],
    output: Annotated[Path, typer.Option("--output", "-o", metavar="FILE", help="Ends in .svg or .png.")],
    channel: Annotated[
        list[str] | None, typer.Option("--channel", metavar="CHANNEL", help="power_w unless given; may be repeated.")
    ] = None,
    title: Annotated[str, typer.Option("--title", metavar="TEXT", help="Instead of the usual one.")] = "",
    force: Force = False,
) -> None:
    """Draw runs over each other."""
    session = session_of(context)
    from store.publish import plot_runs
    from tui.render.pages import write_plot
    from tui.render.pages.writing import need_extra

    need_extra()
    library = session.open_library()
    drawn = plot_runs(library, chosen_runs(library, words), channel or ["power_w"], title=title)
    if output.exists() and not force:
        session.confirm(f"{output} exists. Overwrite it?", option="--force")
        force = True
    write_plot(drawn, output, replace=force)
    session.say(f"{output}: {drawn.alt}")
