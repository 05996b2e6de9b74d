"""Views and columns that SQL can ask for, as the help of `joulebook sql` lists them. Needs no library."""

from __future__ import annotations

import textwrap

from store.sql.views import view_columns

__all__ = ["views_help"]


def views_help() -> str:
    """The list as a block of help, lines as they stand."""
    lines = ["\b", "Views and their columns (units are in the names; samples has one column per channel):"]
    for view, columns in view_columns().items():
        lines += textwrap.wrap(f"{view}: {', '.join(columns)}", 94, initial_indent="  ", subsequent_indent="      ")
    return "\n".join(lines)
