"""The command line: one call from its words to its exit status.

The one place where the parts are put together. No traceback leaves it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tui.cli.errors import DONE, INTERRUPTED, NOT_DONE, USAGE, explain, hidden_part, log_unexpected
from tui.cli.interface import open_interface
from tui.cli.session import Session, default_library
from tui.cli.streams import prepare_streams, settle_streams
from tui.cli.words import arrange, command_of, only_own
from tui.render.plain import plain_lines

if TYPE_CHECKING:
    import typer

__all__ = ["main"]


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


def _carry_out(words: list[str]) -> Any:
    own = only_own(words)
    if own is not None and "_JOULEBOOK_COMPLETE" not in os.environ:  # the interface, without the parser's 0.3 s
        path = Path(own.library).expanduser() if own.library else default_library()
        session = Session(
            path,
            is_quiet=not own.flags.isdisjoint({"--quiet", "-q"}),
            is_plain="--plain" in own.flags,
            no_color="--no-color" in own.flags,
            no_input="--no-input" in own.flags,
        )
        open_interface(session, create=True)
        return DONE
    from typer.main import get_command

    from tui.cli.registry import make_app

    arranged = arrange(words)
    command = get_command(make_app(command_of(arranged)))
    return command.main(arranged, prog_name="joulebook", standalone_mode=False)


def _run(words: list[str]) -> int:
    try:
        returned = _carry_out(words)
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
    if (hidden := hidden_part(error)) is not None:
        _tell(hidden)
        return NOT_DONE
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
