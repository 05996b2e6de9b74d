"""A piece of text -> a frame of cells with line numbers; every line that is no sample is accounted for.

Knows layouts and Polars' CSV reader. Knows no quantity. A piece whose cells are all plain numbers is parsed
natively (0.05 s per million rows of three columns); any doubt sends it through text with line numbers (0.3 s).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from importers.bytesview import Piece, count_byte
from importers.quoting import closing_line, quoted_cells
from importers.schema import Problem
from importers.shape import SPACE, SPACES, Layout, cell_kind, is_end_mark, split_line
from importers.words import Vocabulary

__all__ = ["Rows", "Tally", "name_of", "read_rows"]


@dataclass(slots=True)
class Tally:
    """Lines that are no samples, by what they are."""

    lines: int = 0
    header: int = 0
    preamble: int = 0
    blank: int = 0
    totals: int = 0
    problems: int = 0
    continued: int = 0
    """Lines that a quoted cell of the line before runs over."""
    found: list[Problem] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Count what another reading of the next lines counted."""
        for name in ("lines", "header", "preamble", "blank", "totals", "problems", "continued"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for problem in other.found:
            self.note(problem)

    def note(self, problem: Problem, limit: int = 40) -> None:
        """Keep a problem; after `limit` of one code only count."""
        same = [i for i, p in enumerate(self.found) if p.code == problem.code and p.column == problem.column]
        if len(same) < limit:
            self.found.append(problem)
            return
        last = self.found[same[-1]]
        self.found[same[-1]] = Problem(
            last.code,
            last.severity,
            last.message,
            last.file,
            last.line,
            last.column,
            last.raw,
            last.count + problem.count,
        )


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of one piece."""

    cells: pl.DataFrame
    """Columns c0, c1, ...: Float64 where parsed natively, String else."""
    lines: pl.Series | int
    """Line numbers (UInt32) of the rows, or the first one where they follow each other."""
    restarts: tuple[int, ...] = ()
    """Row positions before which a header stood again."""

    def line_of(self, row: int) -> int:
        """1-based line of a row."""
        return self.lines + row if isinstance(self.lines, int) else int(self.lines[row])


def name_of(index: int) -> str:
    """Name of a cell column in frames."""
    return f"c{index}"


def read_rows(
    piece: Piece,
    layout: Layout,
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
    return _by_text(text, first, piece, layout, words, tally)


def _below_header(piece: Piece, layout: Layout, tally: Tally) -> tuple[bytes, int, int]:
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
    text: bytes, lines: int, layout: Layout, numeric: frozenset[int], used: frozenset[int] | None
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


def _by_text(text: bytes, first: int, piece: Piece, layout: Layout, words: Vocabulary, tally: Tally) -> Rows:
    """Read lines as text, sort out those that are no samples, split the rest."""
    if layout.delimiter in {SPACE, SPACES}:
        text = re.sub(rb"(?m)^[ \t]+|[ \t\r]+$", b"", text)
        text = re.sub(rb"[ \t]+" if layout.delimiter == SPACE else rb" {2,}|\t", b"\t", text)
    if b"\0" in text:
        text = text.replace(b"\0", "\ufffd".encode())
    mark = "\t" if layout.delimiter in {SPACE, SPACES} else layout.delimiter
    lines = _lines(text)
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
    return _without_cut_end(_without_totals(rows, piece, words, tally), piece, tally)


def _lines(text: bytes) -> pl.Series:
    """Split text into lines (without their ends) as one String column."""
    if not text:
        return pl.Series("l", [], dtype=pl.String)
    decoded = text.decode("utf-8", "replace")
    split = decoded.split("\n")
    if split and not split[-1]:
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
    layout: Layout,
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
            row := _account(
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
        elif line.strip() in headers or (layout.header_line and _same_header(cells, layout)):
            restarts.append(first + at)
    return len(odd), restarts, mended


def _same_header(cells: list[str], layout: Layout) -> bool:
    return tuple(c.strip().strip('"').strip() for c in cells) == layout.names


def _account(
    line: str,
    cells: list[str],
    number: int,
    layout: Layout,
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
    if stripped in headers or _same_header(cells, layout):
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


def _by_csv(
    lines: pl.Series, first: int, mark: str, layout: Layout, words: Vocabulary, tally: Tally, piece: Piece
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
            if any(c.isdigit() for c in line) or not _same_header(cells, layout):
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
            mended = _account(line, cells, first + at, layout, words, tally, headers, preamble, is_cut=is_cut)
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
    return _without_cut_end(_without_totals(rows_read, piece, words, tally), piece, tally)


def _cells_over_lines(
    texts: list[str], at: int, mark: str, layout: Layout, words: Vocabulary
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


def _without_totals(rows: Rows, piece: Piece, words: Vocabulary, tally: Tally) -> Rows:
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


def _without_cut_end(rows: Rows, piece: Piece, tally: Tally) -> Rows:
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
