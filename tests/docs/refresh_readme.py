"""Writes README's generated tables anew: `python tests/docs/refresh_readme.py`. A test fails while they are stale."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from typer.main import get_command

from tui.cli.registry import make_app
from tui.keys import as_markdown

README = Path(__file__).resolve().parents[2] / "README.md"


def commands() -> Iterator[tuple[str, Any]]:
    """Every command with its full name, groups left out."""

    def below(name: str, command: Any) -> Iterator[tuple[str, Any]]:
        children = getattr(command, "commands", None)
        if children is None:
            yield name, command
            return
        for word, child in children.items():
            yield from below(f"{name} {word}", child)

    yield from below("joulebook", get_command(make_app()))


def commands_table() -> str:
    """Name and first sentence of every command."""
    lines = ["| command | does |", "| --- | --- |"]
    for name, command in commands():
        summary = (command.short_help or command.help).split("\n", maxsplit=1)[0]
        first = re.split(r"(?<=[a-z)])[.:;] ", summary.rstrip("."), maxsplit=1)[0]
        lines.append(f"| `{name}` | {first} |")
    return "\n".join(lines)


def between(text: str, name: str, table: str) -> str:
    """The text with the part between two marks replaced."""
    pattern = re.compile(rf"(<!-- {name}: [^>]*-->\n).*?(<!-- end of {name} -->)", re.DOTALL)
    if not pattern.search(text):
        message = f"README.md has no marks for {name}"
        raise ValueError(message)
    return pattern.sub(lambda found: f"{found[1]}\n{table.strip()}\n\n{found[2]}", text)


def refreshed(text: str) -> str:
    """README with current tables."""
    return between(between(text, "keys", as_markdown()), "commands", commands_table())


if __name__ == "__main__":
    README.write_text(refreshed(README.read_text("utf-8")), "utf-8")
