"""What the commands that publish share: run numbers or a filter, and leave to write over files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tui.cli.listing import join_words
from tui.cli.session import Session, fail
from tui.cli.words import as_typed

if TYPE_CHECKING:
    from store import Library

__all__ = ["Force", "chosen_runs", "may_write"]

Force = Annotated[bool, typer.Option("--force", "-f", help="Overwrite existing files.")]


def may_write(session: Session, folder: Path, *, force: bool) -> bool:
    """Whether files there may be written over: by --force, or because a person says yes."""
    from store.publish import FolderInUse
    from store.publish.folder import check_free

    try:
        check_free(folder, replace=force)
    except FolderInUse as used:
        session.confirm(f"{used} Write over files of the same names?", option="--force")
        return True
    return force


def chosen_runs(library: Library, words: list[str]) -> list[int]:
    """Run numbers and spans such as `12-18`, or the runs that fit a filter.

    Raises:
        Refusal: no run fits.
    """
    from tui.cli.run_numbers import run_numbers

    typed = as_typed(words)
    if all(word.replace("-", "").isdigit() for word in typed):
        return run_numbers(typed)
    table = library.runs.page(join_words(typed), sort="run_id", limit=None).table
    found: list[int] = table.column("run_id").to_pylist()
    if not found:
        fail("No run fits. `joulebook runs` with the same words shows what does.")
    return found
