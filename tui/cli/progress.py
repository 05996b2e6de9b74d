"""A progress bar on standard error. Loaded only where a person watches a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, SpinnerColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn

from tui.cli.streams import can_show_unicode, wants_colour

__all__ = ["bar"]


@contextmanager
def bar(label: str, *, no_color: bool = False) -> Iterator[Callable[[int, int], None]]:
    """Show a bar while the block runs; it goes away at the end.

    Args:
        label: What is going on; shown as it is, never read as markup.
        no_color: Draw without colour.
    """
    console = Console(file=sys.stderr, no_color=not wants_colour(sys.stderr, no_color=no_color), markup=False)
    columns = (
        SpinnerColumn("dots" if can_show_unicode(sys.stderr) else "line"),
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=30),
        TaskProgressColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task(label, total=None)

        def report(done: int, total: int) -> None:
            progress.update(task, completed=done, total=total or None)

        yield report
