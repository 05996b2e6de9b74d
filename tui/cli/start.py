"""Where the program begins: its own parts are loaded, or one sentence says which of them another package hides.

Loads nothing of the project before that.
"""

from __future__ import annotations

import sys

__all__ = ["hidden_part", "main"]

_PARTS = ("tui", "store", "importers", "demo_parquet")


def hidden_part(error: BaseException) -> str | None:
    """The sentence for a part of the program that another package of its name hides; None for any other error."""
    name = (getattr(error, "name", None) or "").partition(".")[0]
    if not isinstance(error, ImportError) or name not in _PARTS:
        return None
    where = getattr(sys.modules.get(name), "__file__", None) or "this Python's path"
    return (
        f"Another package called `{name}` hides Joulebook's own ({where}). Remove it, or install Joulebook in an "
        "environment of its own: `pipx install joulebook` or `uv tool install joulebook`."
    )


def main() -> int:
    """Run the command that was typed; gives its exit status."""
    try:
        from tui.cli.main import main as run
    except ImportError as error:
        sentence = hidden_part(error)
        if sentence is None:
            raise
        sys.stderr.write(sentence + "\n")
        return 1
    return run()
