"""Only the command asked for is loaded; a command is a file of its name."""

from __future__ import annotations

import pytest
from typer.main import get_command

from tui.cli.registry import COMMANDS, make_app
from tui.cli.words import OwnOptions, arrange, command_of, only_own


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_is_loaded_alone(command: str) -> None:
    """Asked for one command, the program has it and no others, but for `help`, which needs every one."""
    found = sorted(get_command(make_app(command)).commands)
    assert found == (sorted(COMMANDS) if command == "help" else [command])


def test_an_unknown_command_has_every_command_to_be_near_to() -> None:
    """A near miss is answered with the nearest of all names."""
    assert sorted(get_command(make_app("rnus")).commands) == sorted(COMMANDS)


@pytest.mark.parametrize(
    ("words", "command"),
    [
        (["runs", "port:C1"], "runs"),
        (["--library", "show", "runs"], "runs"),
        (["--library=show", "-q", "runs"], "runs"),
        (["runs", "--library", "show", "-kind:heat"], "runs"),
        (["--help"], "--help"),
        (["--library", "somewhere"], None),
        ([], None),
    ],
)
def test_the_command_is_the_first_word_that_is_no_option(words: list[str], command: str | None) -> None:
    """A library's name is no command, wherever it stands."""
    assert command_of(arrange(words)) == command


@pytest.mark.parametrize(
    ("words", "own"),
    [
        ([], OwnOptions(None, frozenset())),
        (["--library", "somewhere", "-q"], OwnOptions("somewhere", frozenset({"-q"}))),
        (["--no-color", "--library=some=where"], OwnOptions("some=where", frozenset({"--no-color"}))),
        (["--library"], None),
        (["--library", "--help"], None),
        (["--library="], None),
        (["--help"], None),
        (["--version"], None),
        (["-q", "runs"], None),
        (["--", "--quiet"], None),
        (["--libary", "somewhere"], None),
    ],
)
def test_only_a_call_that_surely_opens_the_interface_goes_without_the_parser(
    words: list[str], own: OwnOptions | None
) -> None:
    """Whatever else was typed is for the parser to judge."""
    assert only_own(words) == own
