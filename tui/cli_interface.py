"""Opening the terminal interface on the session's library."""

from __future__ import annotations

import os
import sys

from tui.cli_session import Session, fail, loading
from tui.cli_streams import is_terminal

__all__ = ["open_interface"]


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
    with loading():
        import platformdirs

        from tui.app import build_app  # loads the screen's framework

    settings_path = platformdirs.user_state_path("joulebook", appauthor=False) / "view.json"
    build_app(library, settings_path=settings_path, encoding=sys.stdout.encoding).run()
