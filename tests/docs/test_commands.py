"""Every command is documented: in the guide's table, and by a help with an example that parses."""

from __future__ import annotations

import re
import shlex

import pytest
from typer.main import get_command

from tests.docs.command_words import commands
from tests.docs.refresh_guide import GUIDE
from tui.cli.registry import make_app
from tui.cli.words import arrange

ALL = list(commands())


@pytest.mark.parametrize(("name", "command"), ALL, ids=[name for name, _ in ALL])
def test_the_command_has_a_help_with_an_example(name: str, command: object) -> None:
    """Help begins with what the command does and shows it as typed."""
    text = command.help  # type: ignore[attr-defined]
    assert "Examples:" in text
    assert re.search(rf"{re.escape(name)}\b", text), f"no example of {name} in its help"


@pytest.mark.parametrize(("name", "command"), ALL, ids=[name for name, _ in ALL])
def test_the_guide_names_the_command(name: str, command: object) -> None:
    """The guide's table of commands has a row for it."""
    assert f"| `{name}` |" in (GUIDE / "08_commands.md").read_text("utf-8")


def examples() -> list[str]:
    """Every line of an example in a help text, comments at its end left out."""
    lines = []
    for name, command in [*ALL, ("joulebook", get_command(make_app()))]:
        block = re.search(r"Examples:\n((?:  .*\n?)+)", command.help)
        if block is None:
            pytest.fail(f"{name} has no examples")
        lines += [re.split(r"\s{4,}|\s+[|>] ", line.strip(), maxsplit=1)[0] for line in block[1].splitlines()]
    return sorted({line for line in lines if line.startswith("joulebook")})


@pytest.mark.parametrize("line", examples())
def test_an_example_is_accepted_by_the_parser(line: str) -> None:
    """Commands, options and arguments in every example exist; nothing is run."""
    words = arrange(shlex.split(line)[1:])
    context = get_command(make_app()).make_context("joulebook", list(words), resilient_parsing=False)
    while context._protected_args:
        rest = [*context._protected_args, *context.args]
        _, command, rest = context.command.resolve_command(context, rest)
        context = command.make_context(command.name, rest, parent=context)
