"""How one result came about, as lines with roles: the account that the command line prints, made for a screen.

Knows `Result` and printed text; no Textual, no arithmetic of its own. What both show comes from one place.
"""

from __future__ import annotations

from store.methods.specs import label_of
from store.model.results import Result
from tui.render.plain import plain
from tui.render.why import why_lines as printed_lines
from tui.state.lines import Line, line
from tui.state.look import Look

__all__ = ["why_lines"]

_TITLES = ("it rests on", "uncertainty", "the same from the Parquet alone, in any DuckDB")


def why_lines(result: Result, run_id: int, look: Look, width: int, *, sql: str = "") -> list[Line]:
    """The account of a result, and the statement that gets it again in any DuckDB."""
    lines: list[Line] = [line((label_of(result.name), "head"))]
    for text in printed_lines(result, run_id, sql, signs=look.signs, width=width):
        shown = plain(text, ascii_only=look.is_ascii)
        lines.append(line((shown, _role(text))) if shown else ())
    return lines


def _role(text: str) -> str:
    if text in _TITLES:
        return "head"
    if text.startswith("note: "):
        return "warn"
    return "dim" if text.startswith(("method: ", "over: ")) else ""
