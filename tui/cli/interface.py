"""Opening the terminal interface on the session's library."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

from tui.cli.session import Session, fail, loading
from tui.cli.streams import is_terminal

if TYPE_CHECKING:
    from store import Library

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
    if session.no_color:
        os.environ["NO_COLOR"] = "1"
    with loading():
        import platformdirs

        from tui.settings import load_settings, pages_folder
        from tui.state.kept_page import kept_page
        from tui.state.late_library import LateLibrary

    settings_path = platformdirs.user_state_path("joulebook", appauthor=False) / "view.json"
    settings, folder = load_settings(settings_path), pages_folder(settings_path)
    kept = None
    if folder is not None:
        kept = kept_page(folder, session.library_path, sort=settings.sort, columns=settings.columns)
    library: Library | LateLibrary
    if kept is None:
        library = session.open_library(create=create)
    else:
        library = LateLibrary(session.library_path, zone=kept.zone, open_library=session.open_silently)
    with loading():
        from tui.app import build_app  # loads the screen's framework
        from tui.widgets.lone_escape import keep_escape_apart

    keep_escape_apart()
    build_app(library, settings_path=settings_path, encoding=sys.stdout.encoding, kept=kept).run()
