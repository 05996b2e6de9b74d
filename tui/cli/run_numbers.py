"""Run numbers as people type them."""

from __future__ import annotations

from typing import Annotated

import typer

from tui.cli.base import wrong_use

__all__ = ["Reason", "Runs", "run_numbers"]

Runs = Annotated[list[str], typer.Argument(metavar="RUN...", help="Run numbers, and spans such as 12-18.")]


Reason = Annotated[str, typer.Option("--reason", metavar="TEXT", help="Reason, kept with the amendment.")]


def run_numbers(words: list[str]) -> list[int]:
    """Run numbers from words such as `12` and `12-18`, each once, in the order given.

    Raises:
        Refusal: with status 2 where a word is neither.
    """
    numbers: list[int] = []
    for word in words:
        first, mark, last = word.partition("-")
        ends = [first, last] if mark else [first]
        if not all(end.isascii() and end.isdigit() and len(end) < 10 for end in ends):
            wrong_use(f"`{word}` is not a run number or a span such as 12-18. `joulebook runs` lists the runs.")
        span = range(int(ends[0]), int(ends[-1]) + 1)
        if not span or len(span) > 100_000:
            wrong_use(f"`{word}` is not a span of runs: the smaller number comes first.")
        numbers += span
    return list(dict.fromkeys(numbers))
