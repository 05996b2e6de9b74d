"""The command line: options that every command shares, the commands, and how all of it ends.

The one place where the parts are put together. No traceback leaves it.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.main import get_command

from tui import (
    cli_bench,
    cli_care,
    cli_choose,
    cli_demo,
    cli_device,
    cli_edit,
    cli_group,
    cli_help,
    cli_import,
    cli_meter,
    cli_profile,
    cli_publish,
    cli_runs,
    cli_sql,
)
from tui.cli_base import Session, default_library, examples
from tui.cli_errors import DONE, INTERRUPTED, NOT_DONE, USAGE, explain, log_unexpected
from tui.cli_streams import prepare_streams, settle_streams
from tui.cli_words import arrange
from tui.plain import plain_lines

__all__ = ["main", "make_app"]

_HELP = examples(
    "A log book for bench tests of USB power banks, power adapters and cables: any meter's export "
    "becomes traces in SI units and results with uncertainty, to browse, compare and query.",
    "joulebook demo                        a library to look round in",
    'joulebook import log.csv --device PB-07 --port C1 --mode "fixed 20 V" --kind discharge --load "30 W"',
    "joulebook                             browse the library",
    "joulebook runs port:C1 kind:discharge",
    "joulebook show 12",
    more="Without a command the terminal interface opens on the library: the one named by --library, else by "
    "JOULEBOOK_LIBRARY, else the one in your data folder. Exit status: 0 done, 1 something could not be done, "
    "2 wrong usage, 3 the library is busy.",
)


@cache
def make_app() -> typer.Typer:
    """Every command, in the order in which help lists them."""
    app = typer.Typer(
        name="joulebook",
        help=_HELP,
        add_completion=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    )
    app.callback(invoke_without_command=True)(_begin)
    for topic in (
        cli_demo,
        cli_import,
        cli_runs,
        cli_sql,
        cli_device,
        cli_meter,
        cli_profile,
        cli_edit,
        cli_group,
        cli_care,
        cli_publish,
        cli_choose,
        cli_bench,
        cli_help,
    ):
        topic.register(app)
    return app


def _begin(
    context: typer.Context,
    library: Annotated[
        Path | None, typer.Option("--library", metavar="DIR", help="The library to use, before JOULEBOOK_LIBRARY.")
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Say only what went wrong.")] = False,
    plain: Annotated[
        bool, typer.Option("--plain", help="One record per line, cells parted by tabs; no bar, no small traces.")
    ] = False,
    no_color: Annotated[bool, typer.Option("--no-color", help="No colour, as with NO_COLOR.")] = False,
    no_input: Annotated[bool, typer.Option("--no-input", help="Never ask; fail and name the option instead.")] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of an unexpected error.")] = False,  # noqa: ARG001
    version: Annotated[bool, typer.Option("--version", help="Print the version and end.")] = False,
) -> None:
    if version:
        from store.version import __version__  # loads the store, which no other option needs

        sys.stdout.write(f"joulebook {__version__}\n")
        raise typer.Exit
    path = library.expanduser() if library else default_library()
    context.obj = Session(path, is_quiet=quiet, is_plain=plain, no_color=no_color, no_input=no_input)
    if context.invoked_subcommand is None:
        cli_demo.open_interface(context.obj, create=True)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Args:
        arguments: Words after the program's name; the process's own unless given.

    Returns:
        Exit status: 0 done, 1 something could not be done, 2 wrong usage, 3 the library is busy, 130 interrupted.
    """
    prepare_streams()
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        status = _run(words)
        sys.stdout.flush()
    except BrokenPipeError:  # whoever read us has seen enough
        settle_streams()
        return DONE
    except OSError as error:
        status = _end_badly(error, words)
        settle_streams()
    return status


@cache
def _command() -> Any:
    return get_command(make_app())


def _run(words: list[str]) -> int:
    command = _command()
    try:
        returned = command.main(arrange(words), prog_name="joulebook", standalone_mode=False)
    except BrokenPipeError:
        raise
    except SystemExit as leaving:  # the parser leaves so when a pipe breaks, and after writing shell completions
        if isinstance(leaving.__context__, BrokenPipeError):
            raise BrokenPipeError from leaving
        returned = leaving.code
    except KeyboardInterrupt:
        returned = INTERRUPTED
    except Exception as error:  # noqa: BLE001 (the outermost place: nothing may leave as a traceback)
        return _end_badly(error, words)
    if returned == INTERRUPTED:
        _tell("Stopped.")
    return returned if isinstance(returned, int) else DONE


def _end_badly(error: Exception, words: list[str]) -> int:
    """Say what went wrong and return the exit status that goes with it."""
    if (context := getattr(error, "ctx", None)) is not None or hasattr(error, "format_message"):
        return _say_usage(error, context)
    if (known := explain(error)) is not None:
        _tell(known.message)
        return known.status
    if "--debug" in words:
        import traceback

        sys.stderr.write("".join(traceback.format_exception(error)))
    log = log_unexpected(error, words)
    kept = f"The details are in {log}; `--debug` shows them." if log else "`--debug` shows the details."
    _tell(f"Something went wrong inside Joulebook ({type(error).__name__}: {error}). {kept}")
    return NOT_DONE


def _say_usage(error: Exception, context: typer.Context | None) -> int:
    message = error.format_message() if hasattr(error, "format_message") else str(error)
    if context is None:
        _tell(message)
        return USAGE
    if type(error).__name__ == "NoArgsIsHelpError":
        sys.stderr.write(context.get_help() + "\n")
        return USAGE
    _tell(f"{message}\n`{context.command_path} --help` shows how it is used.")
    return USAGE


def _tell(text: str) -> None:
    """Write to standard error, harmlessly; a closed one is no reason to fail again."""
    try:
        sys.stderr.write("\n".join(plain_lines(text)) + "\n")
        sys.stderr.flush()
    except (OSError, ValueError):
        settle_streams()


if __name__ == "__main__":
    sys.exit(main())
