"""`joulebook demo`: a sample library."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tui.cli.base import examples, session_of
from tui.cli.interface import open_interface
from tui.cli.session import Session, fail

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 10

_HELP = examples(
    "Make the demo library and open it: the equipment store of a field-survey outfit tests power banks, adapters "
    "and cables before a season. Made once; afterwards it just opens.",
    "joulebook demo",
    "joulebook demo --path survey-store        only make it there",
    "joulebook --library survey-store runs     then look at it",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("demo", help=_HELP)(demo)


def demo(
    context: typer.Context,
    path: Annotated[
        Path | None, typer.Option("--path", metavar="DIR", help="Make it in this folder and don't open it.")
    ] = None,
) -> None:
    """Make the demo library where it is missing; open it unless a folder was named."""
    session = session_of(context)
    target = path.expanduser() if path else _own_place()
    if make_demo(session, target):
        session.say(f"The demo library is in {target}.")
    elif path:
        session.say(f"The demo library is in {target} already.")
    if path is None:
        open_interface(Session(target, session.is_quiet, session.is_plain, session.no_color, session.no_input))


def _own_place() -> Path:
    import platformdirs

    return platformdirs.user_data_path("joulebook", appauthor=False) / "demo"


def make_demo(session: Session, target: Path) -> bool:
    """Make the demo library; False where it is there already.

    It is made beside its place and renamed when it is whole, so that a demo half made is never taken for one.

    Raises:
        Refusal: the folder holds something else.
    """
    from tui.cli.demo_library import build_demo, is_library  # loads the store

    if is_library(target):
        return False
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        fail(f"{target} exists and is not a library. Name a new or an empty folder.")
    with session.progress("making the demo library") as report:
        build_demo(target, report)
    return True
