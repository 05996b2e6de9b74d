"""Where the program begins: its own parts are loaded, or one sentence says which of them another package hides.

Loads nothing of the project before that.
"""

from __future__ import annotations

import sys

from tui.cli.errors import NOT_DONE, hidden_part

__all__ = ["main"]


def main() -> int:
    """Run the command that was typed; gives its exit status."""
    try:
        from tui.cli.main import main as run
    except ImportError as error:
        sentence = hidden_part(error)
        if sentence is None:
            raise
        sys.stderr.write(sentence + "\n")
        return NOT_DONE
    return run()
