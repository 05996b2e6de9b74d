"""Lines that are no plain row of the table: header again, blank, total, comment, cut, short or long; each is counted.

Knows layouts. Mends a row that only lacks or repeats empty cells at its end.
"""

from __future__ import annotations

from importers.schema import Problem
from importers.text.bytesview import Piece
from importers.text.lines import is_end_mark
from importers.text.rowset import Rows, Tally
from importers.text.shape import TableLayout
from importers.vocabulary.words import Vocabulary

__all__ = ["account_line", "same_header", "without_cut_end", "without_totals"]


def same_header(cells: list[str], layout: TableLayout) -> bool:
    """Tell whether cells are the table's header."""
    return tuple(c.strip().strip('"').strip() for c in cells) == layout.names


def account_line(
    line: str,
    cells: list[str],
    number: int,
    layout: TableLayout,
    words: Vocabulary,
    tally: Tally,
    headers: set[str],
    preamble: set[str],
    *,
    is_cut: bool,
) -> list[str] | None:
    """Count one line that is no plain data row; return its cells where it is one after all."""
    stripped = line.strip()
    if not stripped.strip(",;|\t \"'"):
        tally.blank += 1
        return None
    if stripped in headers or same_header(cells, layout):
        tally.header += 1
        return None
    if stripped in preamble:
        tally.preamble += 1
        return None
    if is_cut and any(c.isalpha() for c in line) and is_end_mark(cells, words):
        tally.totals += 1  # the file ends with it; that no line break follows cuts nothing
        return None
    if is_cut:
        tally.problems += 1
        tally.note(
            Problem(
                "cut-line",
                "warning",
                f"Line {number:,} ends in the middle: the file was cut there. The line is left out.",
                line=number,
                raw=line[:80],
            )
        )
        return None
    while len(cells) > layout.width and not cells[-1].strip():
        cells.pop()
    if len(cells) == layout.width and any(c.isdigit() for c in line) and not stripped.startswith(("#", "//")):
        return cells
    if is_end_mark(cells, words):
        tally.totals += 1
        return None
    if stripped.startswith(("#", "//")):
        tally.preamble += 1
        return None
    tally.problems += 1
    if len(cells) < layout.width:
        code, what = "short-row", f"has {len(cells)} cells where the table has {layout.width}"
    elif len(cells) > layout.width:
        code, what = "long-row", f"has {len(cells)} cells where the table has {layout.width}"
    else:
        code, what = "not-a-row", "holds no number"
    tally.note(Problem(code, "warning", f"Line {number:,} {what}. The line is left out.", line=number, raw=line[:80]))
    return None


def without_totals(rows: Rows, piece: Piece, words: Vocabulary, tally: Tally) -> Rows:
    """Count rows at the very end whose first cell is a word for a total or an end."""
    height = rows.cells.height
    if not piece.is_last:
        return rows
    end = height
    while end > max(0, height - 6):
        first = next((c.strip() for c in rows.cells.row(end - 1) if c and c.strip()), "")
        if not any(c.isalpha() for c in first) or not is_end_mark([first], words):
            break
        end -= 1
    if end == height:
        return rows
    tally.totals += height - end
    lines = rows.lines if isinstance(rows.lines, int) else rows.lines.head(end)
    return Rows(rows.cells.head(end), lines, rows.restarts)


def without_cut_end(rows: Rows, piece: Piece, tally: Tally) -> Rows:
    """Leave the last row out where the file has no final line end and its last cell looks cut short."""
    height = rows.cells.height
    if not piece.is_last or piece.ends_line or height < 3:
        return rows
    column = rows.cells.to_series(rows.cells.width - 1)
    texts = [(t or "").strip() for t in column.tail(21).to_list()]
    last, before = texts[-1], [len(t) for t in texts[:-1]]
    if len(last) >= min(before):
        return rows
    number = rows.line_of(height - 1)
    tally.problems += 1
    tally.note(
        Problem(
            "cut-line",
            "warning",
            f"Line {number:,} is the last, has no line end, and its last cell `{last}` is shorter than those before: "
            "the file was cut there. The line is left out.",
            line=number,
            raw=last,
        )
    )
    lines = rows.lines if isinstance(rows.lines, int) else rows.lines.head(height - 1)
    return Rows(rows.cells.head(height - 1), lines, rows.restarts)
