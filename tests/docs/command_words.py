"""Every command with its full name, and their table, for the guide and its tests."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from typer.main import get_command

from tui.cli.registry import make_app


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
