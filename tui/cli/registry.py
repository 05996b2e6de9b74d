"""The commands and the options that all of them share, as the parser wants them.

A command is a file in `commands` with `register` and its place in the help. Taking options apart costs; so only the
command asked for is loaded.
"""

from __future__ import annotations

import sys
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

from tui.cli.base import examples
from tui.cli.interface import open_interface
from tui.cli.session import Session, default_library

__all__ = ["COMMANDS", "make_app"]

_FILES = (Path(__file__).parent / "commands").glob("[a-z]*.py")
COMMANDS = tuple(sorted(path.stem.rstrip("_").replace("_", "-") for path in _FILES))
"""Every command: a file of `tui/cli/commands` each, called as the command is (`import_.py`, for `import` is taken)."""

_ENGINES = ("duckdb", "polars", "pyarrow", "numpy", "textual", "matplotlib", "deltalake")

_HELP = examples(
    "A log book for bench tests of USB power banks, power adapters and cables: any meter's export "
    "becomes traces in SI units and results with uncertainty, to browse, compare and query.",
    "joulebook demo                        a sample library to explore",
    'joulebook import log.csv --device PB-07 --port C1 --mode "fixed 20 V" --kind discharge --load "30 W"',
    "joulebook                             browse the library",
    "joulebook runs port:C1 kind:discharge",
    "joulebook show 12",
    more="Without a command the terminal interface opens on the library: the one named by --library, else by "
    "JOULEBOOK_LIBRARY, else the one in your data folder. Exit status: 0 done, 1 something could not be done, "
    "2 wrong usage, 3 the library is busy.",
)


def _file_of(command: str) -> str:
    return "import_" if command == "import" else command.replace("-", "_")


@cache
def make_app(command: str | None = None) -> typer.Typer:
    """The program with every command, or with the one asked for only.

    Args:
        command: The command asked for; one that is not known, and `help`, need them all.
    """
    app = typer.Typer(
        name="joulebook",
        help=_HELP,
        add_completion=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    )
    app.callback(invoke_without_command=True)(_begin)
    names = COMMANDS if command not in COMMANDS or command == "help" else (command,)
    modules = [import_module(f"tui.cli.commands.{_file_of(name)}") for name in names]
    for module in sorted(modules, key=lambda module: int(module.HELP_ORDER)):
        module.register(app)
    return app


def _version_text() -> str:
    """The program's version, and those of what it computes and draws with, for a report of a fault."""
    from importlib.metadata import PackageNotFoundError, version
    from platform import python_version

    from store.version import __version__  # loads the store, which no other option needs

    lines = [f"joulebook {__version__}", f"python {python_version()}"]
    for name in _ENGINES:
        try:
            lines.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            lines.append(f"{name} not installed")
    return "\n".join(lines) + "\n"


def _begin(
    context: typer.Context,
    library: Annotated[
        Path | None, typer.Option("--library", metavar="DIR", help="The library to use, before JOULEBOOK_LIBRARY.")
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print errors only.")] = False,
    plain: Annotated[
        bool, typer.Option("--plain", help="One record per line, tab-separated; no progress bar, no small plots.")
    ] = False,
    no_color: Annotated[bool, typer.Option("--no-color", help="No colour, as with NO_COLOR.")] = False,
    no_input: Annotated[bool, typer.Option("--no-input", help="Never ask; fail and name the option instead.")] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of an unexpected error.")] = False,  # noqa: ARG001
    version: Annotated[bool, typer.Option("--version", help="Print versions, the engines' too, and end.")] = False,
) -> None:
    if version:
        sys.stdout.write(_version_text())
        raise typer.Exit
    path = library.expanduser() if library else default_library()
    context.obj = Session(path, is_quiet=quiet, is_plain=plain, no_color=no_color, no_input=no_input)
    if context.invoked_subcommand is None:
        open_interface(context.obj, create=True)
