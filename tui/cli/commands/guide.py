"""`joulebook guide`: the pages of the guide, and the man page."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from store.errors import suggest
from tui.cli.base import examples, session_of, wrong_use
from tui.cli.listing import print_document
from tui.cli.streams import is_terminal
from tui.state.guide import guide_document, guide_pages

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 355


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(
        "guide",
        help=examples(
            "Read the guide: a tour, the first meter, a season, and every filter word, view, result, key and command.",
            "joulebook guide",
            "joulebook guide tour",
            "joulebook guide results | less",
            "joulebook guide --man > joulebook.1",
            more="Pages: " + ", ".join(page.name for page in guide_pages()) + ". In the interface F1 opens it.",
        ),
    )(guide)


def guide(
    context: typer.Context,
    page: Annotated[
        str | None, typer.Argument(metavar="[PAGE]", help="The page; without one, the list of pages.")
    ] = None,
    man: Annotated[bool, typer.Option("--man", help="Print a man page of all commands (troff).")] = False,
) -> None:
    """Print a page of the guide."""
    session = session_of(context)
    if man:
        from tui.cli.man_page import man_page

        sys.stdout.write(man_page())
        return
    pages = {found.name: found for found in guide_pages()}
    if page is None:
        width = max(map(len, pages))
        for found in pages.values():
            name = f"{found.name}\t" if session.is_plain else f"{found.name:<{width}}  "
            sys.stdout.write(f"{name}{found.title}\n")
        session.say("`joulebook guide PAGE` shows one; in the interface F1 opens the guide.")
    elif page in pages:
        if is_terminal(sys.stdout) and not session.is_plain:
            print_document(session, guide_document(pages[page]))
        else:
            sys.stdout.write(pages[page].text)  # Markdown as it is
    else:
        near = suggest(page, pages)
        hint = f" Did you mean {near}?" if near else ""
        wrong_use(f"The guide has no page `{page}`.{hint} Pages: {', '.join(pages)}.")
