"""Lines as text -> rows of cells: split where they are plain, by quotes where they are not, sorted out where odd.

Knows layouts and text.
"""

from __future__ import annotations

import re

import polars as pl

from importers.text.bytesview import Piece
from importers.text.cellkinds import cell_kind
from importers.text.lines import SPACE, SPACES, split_line
from importers.text.oddlines import account_line, same_header, without_cut_end, without_totals
from importers.text.quoting import closing_line, quoted_cells
from importers.text.rowset import Rows, Tally, name_of
from importers.text.shape import TableLayout
from importers.vocabulary.words import Vocabulary

__all__ = ["rows_of_text"]


def rows_of_text(text: bytes, first: int, piece: Piece, layout: TableLayout, words: Vocabulary, tally: Tally) -> Rows:
    """Read lines as text, sort out those that are no samples, split the rest."""
    ends_line = text.endswith(b"\n")
    if layout.delimiter in {SPACE, SPACES}:
        text = re.sub(rb"(?m)^[ \t]+|[ \t\r]+$", b"", text)
        text = re.sub(rb"[ \t]+" if layout.delimiter == SPACE else rb" {2,}|\t", b"\t", text)
    if b"\0" in text:
        text = text.replace(b"\0", "\ufffd".encode())
    mark = "\t" if layout.delimiter in {SPACE, SPACES} else layout.delimiter
    lines = _lines(text, ends_line=ends_line)
    if b'"' in text:
        return _by_csv(lines, first, mark, layout, words, tally, piece)
    counts = lines.str.count_matches(mark, literal=True)
    good = (counts == layout.width - 1) & _holds_values(lines)
    odd = (~good).arg_true().to_list()
    keep, restarts, mended = _sort_out(odd, lines, first, mark, layout, words, tally, piece)
    numbers = pl.Series("line", range(first, first + len(lines)), dtype=pl.UInt32)
    if odd:
        mask = good.clone()
        if mended:
            lines = lines.scatter(list(mended), list(mended.values()))
            mask = mask.scatter(list(mended), True)
        lines, numbers = lines.filter(mask), numbers.filter(mask)
    del keep
    cells = lines.str.split_exact(mark, layout.width - 1).struct.unnest()
    cells.columns = [name_of(i) for i in range(layout.width)]
    rows = Rows(cells, numbers, _positions(restarts, numbers))
    return without_cut_end(without_totals(rows, piece, words, tally), piece, tally)


def _lines(text: bytes, *, ends_line: bool) -> pl.Series:
    """Split text into lines (without their ends) as one String column."""
    if not text:
        return pl.Series("l", [], dtype=pl.String)
    decoded = text.decode("utf-8", "replace")
    split = decoded.split("\n")
    if ends_line and split and not split[-1]:
        split.pop()
    return pl.Series("l", split, dtype=pl.String).str.strip_chars_end("\r")


def _holds_values(lines: pl.Series) -> pl.Series:
    """Tell which lines hold any digit and don't start as a comment."""
    return lines.str.contains(r"\d") & ~lines.str.contains(r"^\s*(#|//)")


def _positions(restarts: list[int], numbers: pl.Series) -> tuple[int, ...]:
    return tuple(int(numbers.search_sorted(line)) for line in restarts)


def _sort_out(
    odd: list[int],
    lines: pl.Series,
    first: int,
    mark: str,
    layout: TableLayout,
    words: Vocabulary,
    tally: Tally,
    piece: Piece,
) -> tuple[int, list[int], dict[int, str]]:
    """Account for every line that is no plain data row; mend those that only lack or repeat empty cells at the end."""
    restarts: list[int] = []
    mended: dict[int, str] = {}
    headers = set(layout.header_texts)
    preamble = {line.strip() for line in layout.preamble if line.strip()}
    last = len(lines) - 1
    for at in odd:
        line = lines[at]
        cells = split_line(line, mark)
        if (
            row := account_line(
                line,
                cells,
                first + at,
                layout,
                words,
                tally,
                headers,
                preamble,
                is_cut=at == last and not piece.ends_line,
            )
        ) is not None:
            mended[at] = mark.join(row)
        elif line.strip() in headers or (layout.header_line and same_header(cells, layout)):
            restarts.append(first + at)
    return len(odd), restarts, mended


def _by_csv(
    lines: pl.Series, first: int, mark: str, layout: TableLayout, words: Vocabulary, tally: Tally, piece: Piece
) -> Rows:
    """Read quoted lines with the standard library's reader, line by line."""
    rows: list[list[str]] = []
    numbers: list[int] = []
    restarts: list[int] = []
    headers = set(layout.header_texts)
    preamble = {line.strip() for line in layout.preamble if line.strip()}
    last = len(lines) - 1
    texts = lines.to_list()
    until = -1
    for at, line in enumerate(texts):
        if at <= until:  # within a cell that runs over several lines
            tally.continued += 1
            continue
        cells = _csv_cells(line, mark)
        if len(cells) != layout.width and (over := _cells_over_lines(texts, at, mark, layout, words)) is not None:
            cells, until = over
            if any(c.isdigit() for c in line) or not same_header(cells, layout):
                rows.append(cells)
                numbers.append(first + at)
            else:
                tally.header += 1
                restarts.append(len(rows))
            continue
        plain = len(cells) == layout.width and any(c.isdigit() for c in line) and line.lstrip()[:1] != "#"
        if not plain:
            before = tally.header
            is_cut = at == last and not piece.ends_line
            mended = account_line(line, cells, first + at, layout, words, tally, headers, preamble, is_cut=is_cut)
            if tally.header > before:
                restarts.append(len(rows))
            if mended is None:
                continue
            cells = mended
        rows.append(cells)
        numbers.append(first + at)
    frame = pl.DataFrame(
        {name_of(i): [row[i] for row in rows] for i in range(layout.width)},
        schema={name_of(i): pl.String() for i in range(layout.width)},
    )
    rows_read = Rows(frame, pl.Series("line", numbers, dtype=pl.UInt32), tuple(restarts))
    return without_cut_end(without_totals(rows_read, piece, words, tally), piece, tally)


def _cells_over_lines(
    texts: list[str], at: int, mark: str, layout: TableLayout, words: Vocabulary
) -> tuple[list[str], int] | None:
    """Cells of a row in which a quoted cell holds line breaks, and its last line; None where it is none.

    Lines within that are rows of the table by themselves say that a quote was lost instead.
    """
    end = closing_line(texts, at)
    if end is None:
        return None
    cells = quoted_cells("\n".join(texts[at : end + 1]), mark)
    while len(cells) > layout.width and not cells[-1].strip():
        cells.pop()
    if len(cells) != layout.width:
        return None
    for line in texts[at + 1 : end]:
        inner = _csv_cells(line, mark)
        if len(inner) == layout.width and cell_kind(inner[0], words) not in {"text", "empty"}:
            return None
    return [" ".join(c.split()) if "\n" in c else c for c in cells], end


def _csv_cells(line: str, mark: str) -> list[str]:
    if '"' not in line:
        return line.split(mark)
    if line.count('"') % 2:
        return [line]  # a quote that never closes: the line is damaged
    return quoted_cells(line, mark)
