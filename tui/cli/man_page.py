"""The man page, made from the commands as the parser knows them. Knows the commands' words; prints nothing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from typer.main import get_command

from store.version import __version__
from tui.cli.registry import make_app

__all__ = ["man_page"]


def man_page() -> str:
    """All of `joulebook`, its commands and their options as troff with the man macros."""
    program = get_command(make_app())
    lines = [
        f'.TH JOULEBOOK 1 "" "Joulebook {__version__}" "User commands"',
        ".SH NAME",
        r"joulebook \- log book for bench tests of USB power banks, adapters and cables",
        ".SH SYNOPSIS",
        r".B joulebook",
        r"[\fIoptions\fR] [\fIcommand\fR [\fIarguments\fR]]",
        ".SH DESCRIPTION",
        *_prose(program.help or ""),
        ".SH OPTIONS",
        *_options(program),
        ".SH COMMANDS",
    ]
    for name, command in _commands("", program):
        lines += [f".SS {_safe(name)}", *_prose(command.help or ""), *_options(command)]
    lines += [
        ".SH EXIT STATUS",
        "0 done, 1 something could not be done, 2 wrong usage, 3 the library is busy.",
        ".SH ENVIRONMENT",
        ".TP",
        ".B JOULEBOOK_LIBRARY",
        "The library where --library names none.",
        ".TP",
        ".B NO_COLOR",
        "No colour where it is set.",
        ".SH SEE ALSO",
        ".B joulebook guide",
    ]
    return "\n".join(lines) + "\n"


def _commands(above: str, command: Any) -> Iterator[tuple[str, Any]]:
    for word, child in getattr(command, "commands", {}).items():
        name = f"{above} {word}".strip()
        if getattr(child, "commands", None) is None:
            yield name, child
        else:
            yield from _commands(name, child)


def _options(command: Any) -> Iterator[str]:
    for parameter in command.params:
        about = (getattr(parameter, "help", None) or "").strip()
        if parameter.param_type_name == "argument":
            shown = str(parameter.metavar or parameter.human_readable_name)
            yield from (".TP", rf"\fI{_safe(shown)}\fR", _safe(about))
        elif not parameter.hidden:
            flags = ", ".join(rf"\fB{_safe(flag)}\fR" for flag in parameter.opts)
            value = "" if parameter.is_flag else rf" \fI{_safe(str(parameter.metavar or 'VALUE'))}\fR"
            yield from (".TP", flags + value, _safe(about))


def _prose(text: str) -> Iterator[str]:
    """Paragraphs; lines that are kept as they are stand behind a backspace, as the parser has it."""
    for part in re.split(r"\n\s*\n", text.strip()):
        if part.startswith("\b"):
            yield from (".PP", ".nf", *(_safe(line) for line in part.lstrip("\b\n").splitlines()), ".fi")
        else:
            yield from (".PP", _safe(" ".join(part.split())))


def _safe(text: str) -> str:
    """Text that troff prints as it stands."""
    plain = text.replace("\\", r"\e").replace("-", r"\-")
    return rf"\&{plain}" if plain.startswith((".", "'")) else plain
