"""`joulebook demo`, and opening the terminal interface."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from tui.cli_base import Session, examples, fail, session_of
from tui.cli_streams import is_terminal

__all__ = ["open_interface", "register"]

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
    from tui.demo import build_demo, is_library  # loads the store

    if is_library(target):
        return False
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        fail(f"{target} is there and is no library. Name a new or an empty folder.")
    with session.progress("making the demo library") as report:
        build_demo(target, report)
    return True


def open_interface(session: Session, *, create: bool = False) -> None:
    """Open the terminal interface on the session's library.

    Raises:
        Refusal: there is no terminal to open it on.
    """
    if not (is_terminal(sys.stdout) and is_terminal(sys.stdin)):
        fail(
            "The interface needs a terminal. In scripts use commands: `joulebook runs`, `joulebook show RUN`, "
            "`joulebook sql`; `joulebook --help` lists them all."
        )
    library = session.open_library(create=create)
    if session.no_color:
        os.environ["NO_COLOR"] = "1"
    import platformdirs

    from tui.app import build_app  # loads the screen's framework

    settings_path = platformdirs.user_state_path("joulebook", appauthor=False) / "view.json"
    build_app(library, settings_path=settings_path, encoding=sys.stdout.encoding).run()
