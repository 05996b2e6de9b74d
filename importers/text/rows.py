"""A piece of text -> a frame of cells with line numbers; every line that is no sample is accounted for.

Knows layouts and Polars' CSV reader. Knows no quantity. A piece whose cells are all plain numbers is parsed
natively (0.05 s per million rows of three columns); any doubt sends it through text with line numbers (0.3 s).
"""

from __future__ import annotations

import numpy as np
import polars as pl

from importers.text.bytesview import Piece, count_byte
from importers.text.lines import SPACE
from importers.text.rowset import Rows, Tally, name_of
from importers.text.shape import TableLayout
from importers.text.textrows import rows_of_text
from importers.vocabulary.words import Vocabulary

__all__ = ["read_rows"]


def read_rows(
    piece: Piece,
    layout: TableLayout,
    numeric: frozenset[int],
    words: Vocabulary,
    tally: Tally,
    *,
    used: frozenset[int] | None = None,
) -> Rows:
    """Read a piece's lines into cells.

    Args:
        piece: whole lines; the first may lie above the data.
        layout: where the table is.
        numeric: columns that should hold plain numbers only: tried natively.
        words: for end marks.
        tally: gets every line that is no sample.
        used: columns wanted; None for all.
    """
    text, first, newlines = _below_header(piece, layout, tally)
    tally.lines += newlines + (not text.endswith(b"\n") and bool(text))
    if numeric and piece.ends_line and (frame := _natively(text, newlines, layout, numeric, used)) is not None:
        return Rows(frame, first)
    return rows_of_text(text, first, piece, layout, words, tally)


def _below_header(piece: Piece, layout: TableLayout, tally: Tally) -> tuple[bytes, int, int]:
    """Cut preamble and header off the piece that holds them; count the line ends that are left."""
    skip = layout.data_line - piece.first_line
    newlines = piece.count_newlines()
    if skip <= 0:
        return piece.text, piece.first_line, newlines
    at = 0
    for number in range(piece.first_line, layout.data_line):
        end = piece.text.find(b"\n", at) + 1
        line = piece.text[at:end].strip()
        newlines -= end > 0
        tally.lines += 1
        if not line.strip(b',;|\t "'):
            tally.blank += 1
        elif number - 1 < len(layout.preamble):
            tally.preamble += 1
        else:
            tally.header += 1
        at = end
    return piece.text[at:], layout.data_line, newlines


def _natively(
    text: bytes, lines: int, layout: TableLayout, numeric: frozenset[int], used: frozenset[int] | None
) -> pl.DataFrame | None:
    """Parse numbers natively; None where any line or cell is not plain."""
    if (
        len(layout.delimiter.encode()) > 1
        or layout.delimiter == SPACE
        or b'"' in text
        or layout.thousands
        or b"\0" in text
    ):
        return None
    if count_byte(text, layout.delimiter) != lines * (layout.width - 1):
        return None
    schema = {name_of(i): pl.Float64() if i in numeric else pl.String() for i in range(layout.width)}
    try:
        frame = pl.read_csv(
            text,
            has_header=False,
            separator=layout.delimiter,
            quote_char=None,
            schema=schema,
            columns=None if used is None else sorted(used),
            decimal_comma=layout.decimal == ",",
        )
    except pl.exceptions.PolarsError:
        return None
    if frame.height != lines:
        return None
    for column in (frame[name_of(i)] for i in numeric if used is None or i in used):
        # NumPy, for a method of a series that Polars runs as a query costs 0.3 ms
        if column.null_count() or not np.isfinite(column.to_numpy()).all():
            return None
    return frame
