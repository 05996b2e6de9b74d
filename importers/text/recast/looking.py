"""Which form a file has, and the view of the table that is made of it. Composes the forms.

Plain tables pass: they cost a look at the first characters and lines.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from importers.problems import ImportRefused
from importers.text.archive import MOST_MEMBERS, ZIP, members
from importers.text.bytesview import WHOLE_LIMIT, BytesView, pieces, read_magic, view_bytes
from importers.text.cellkinds import cell_kind
from importers.text.recast.pairs import has_pairs, pairs_as_table
from importers.text.recast.recast import Recast, refuse_large
from importers.text.recast.records import is_json, records_as_table
from importers.text.recast.turned import find_long, long_as_table, on_its_side, side_as_table
from importers.text.recast.web_table import has_table, web_table
from importers.text.recast.workbook import is_workbook, workbook_as_table
from importers.text.shape import TableLayout, find_layout
from importers.vocabulary.words import Vocabulary

__all__ = ["look"]

_WIDE = re.compile("[\uff10-\uff19]")
_TO_ASCII = {c: c - 0xFEE0 for c in (*range(0xFF10, 0xFF1A), 0xFF0B, 0xFF0D, 0xFF0E, 0xFF1A)}
"""Full-width digits, + - . and : by the usual ones; brackets and commas are left, for they stand in cells."""
_LOOK = 1 << 16
_WIDEST_LONG = 8


def find_table(
    view: BytesView, words: Vocabulary, delimiter: str | None = None
) -> tuple[BytesView, TableLayout | None]:
    """Find the table of a file, whatever its form.

    Returns:
        The view of the text that holds it, and its layout; None where there is none.

    Raises:
        ImportRefused: the form is known, but holds nothing that can be read.
    """
    if view.recast is None:
        view = _by_its_look(view, words)
    layout = find_layout(view.head, words, delimiter)
    if (view.recast is not None and view.recast.form == "a workbook") or delimiter is not None:
        return view, layout
    head = view.head[:_LOOK].decode("utf-8", "replace")
    if layout is None or layout.header_line is None:
        mark = on_its_side(view.head.decode("utf-8", "replace"), words) if view.is_whole else None
        if mark is not None:
            view = table_view(view, side_as_table(_whole(view, "a transposed table"), mark, words))
            return view, find_layout(view.head, words)
    if layout is None and has_pairs(head):
        view = table_view(view, pairs_as_table(_whole(view, "lines of key=value"), words, view.path.name))
        return view, find_layout(view.head, words)
    if (layout is None or _has_words(layout, words)) and (long := find_long(head, words)) is not None:
        view = table_view(view, long_as_table(_whole(view, "rows of one quantity each"), long))
        return view, find_layout(view.head, words)
    return view, layout


def _has_words(layout: TableLayout, words: Vocabulary) -> bool:
    """Tell whether a table's first row holds a word beside its numbers, and few columns."""
    first = layout.samples[0] if layout.samples else ()
    return layout.width <= _WIDEST_LONG and any(cell_kind(c, words) == "text" for c in first)


def _by_its_look(view: BytesView, words: Vocabulary) -> BytesView:
    """Forms that the first characters and lines tell."""
    name, head = view.path.name, view.head[:_LOOK].decode("utf-8", "replace")
    if is_json(head):
        return table_view(view, records_as_table(_whole(view, "JSON"), name))
    if has_table(head):
        return table_view(view, web_table(_whole(view, "a web page"), name))
    if "=" in head and has_pairs(head):
        return table_view(view, pairs_as_table(_whole(view, "lines of key=value"), words, name))
    if not view.head.isascii() and _WIDE.search(head):
        text = _whole(view, "full-width digits").translate(_TO_ASCII)
        return table_view(view, Recast("full-width digits", text.encode()))
    return view


def _whole(view: BytesView, form: str) -> str:
    """The whole text.

    Raises:
        ImportRefused: it is too large to be held.
    """
    if view.is_whole:
        return view.head.decode("utf-8", "replace").replace("\r\n", "\n")
    found, size = [], 0
    for piece in pieces(view):
        found.append(piece.text)
        size += len(piece.text)
        refuse_large(size, form, view.path.name)
    return b"".join(found).decode("utf-8", "replace").replace("\r\n", "\n")


def table_view(view: BytesView, recast: Recast) -> BytesView:
    """The view of the table that stands for what the file holds."""
    text = recast.text
    if not text.strip():
        raise ImportRefused.because(
            "empty", f"{view.path.name} holds {recast.form} with nothing in it.", file=view.path.name
        )
    is_whole = len(text) <= WHOLE_LIMIT
    head = text if is_whole else text[: text.rfind(b"\n", 0, WHOLE_LIMIT) + 1]
    slices: tuple[bytes, ...] = ()
    if not is_whole:
        slices = tuple(_lines_at(text, int(len(text) * place)) for place in (0.3, 0.5, 0.7, 0.9))
    tail = b"" if is_whole else _lines_at(text, len(text) - _LOOK)
    reason = f"{view.reason}; it holds {recast.form}, read as a table"
    return replace(
        view, newline="\n", is_whole=is_whole, head=head, tail=tail, slices=slices, reason=reason, recast=recast
    )


def _lines_at(text: bytes, at: int) -> bytes:
    start = text.find(b"\n", max(at, 0)) + 1
    return text[start : text.rfind(b"\n", start, start + _LOOK) + 1]


def look(path: Path, words: Vocabulary, delimiter: str | None = None) -> tuple[BytesView, TableLayout]:
    """Look at a file's bytes and find its table, whatever its form.

    Raises:
        ImportRefused: it is no file, damaged, or holds no table.
    """
    magic = read_magic(path)
    if is_workbook(path, magic):
        recast, passed = workbook_as_table(path, words)
        bare = BytesView(path, path.stat().st_size, "workbook", "utf-8", False, "a workbook", "\n", True, b"")
        view, layout = find_table(replace(table_view(bare, recast), passed=passed), words, delimiter)
    elif magic[:4] == ZIP:
        view, layout = _in_archive(path, words, delimiter)
    else:
        view, layout = find_table(view_bytes(path, words), words, delimiter)
    if layout is None:
        raise ImportRefused.because(
            "no-table",
            f"{path.name} holds no table: {_what_it_is(view)} Export it as CSV with a header.",
            file=path.name,
        )
    return view, layout


def _in_archive(path: Path, words: Vocabulary, delimiter: str | None) -> tuple[BytesView, TableLayout | None]:
    """The one export within a ZIP archive.

    Raises:
        ImportRefused: there is none, or more than one.
    """
    names = members(path)
    found: list[tuple[str, BytesView, TableLayout]] = []
    for name in names[:MOST_MEMBERS]:
        try:
            view, layout = find_table(view_bytes(path, words, name), words, delimiter)
        except ImportRefused:
            continue
        if layout is not None:
            found.append((name, view, layout))
    if len(found) == 1 and len(names) <= MOST_MEMBERS:
        name, view, layout = found[0]
        return replace(view, passed=tuple(n for n in names if n != name)), layout
    if not found:
        raise ImportRefused.because(
            "binary", f"{path.name} is a ZIP archive without a table of readings. Name an export.", file=path.name
        )
    if len(names) <= MOST_MEMBERS and _go_on([layout for _, _, layout in found], words):
        joined = _one_after_another(found)
        passed = tuple(n for n in names if n not in {name for name, _, _ in found})
        view = replace(table_view(found[0][1], joined), passed=passed)
        return view, find_layout(view.head, words, delimiter)
    said = ", ".join(f"`{name}`" for name, _, _ in found[:5]) + (" ..." if len(found) > 5 else "")
    raise ImportRefused.because(
        "many-exports",
        f"{path.name} is a ZIP archive of {len(found)} exports: {said}. Unpack it and import the folder.",
        file=path.name,
    )


def _go_on(layouts: list[TableLayout], words: Vocabulary) -> bool:
    """Tell whether tables can stand one below the other: the same columns, and clocks that begin again in each.

    Dates would run on from one log to the next, as if there were one log with a gap.
    """
    first = layouts[0]
    alike = all(
        (x.names, x.unit_row, x.delimiter, x.decimal) == (first.names, first.unit_row, first.delimiter, first.decimal)
        for x in layouts
    )
    kinds = {cell_kind(c, words) for x in layouts for c in x.samples[0]}
    return alike and first.header_line is not None and not kinds & {"date", "datetime"}


def _one_after_another(found: list[tuple[str, BytesView, TableLayout]]) -> Recast:
    """Put the tables of an archive one below the other, each under its header."""
    lines: list[str] = []
    places: list[tuple[int, str, int]] = []
    for name, view, layout in found:
        text = _whole(view, "several exports").split("\n")
        start = 0 if not lines else (layout.header_line or 1) - 1
        places.append((len(lines) + 1, f"`{name}`, line", start + 1))
        lines += text[start:-1] if not text[-1] else text[start:]
        refuse_large(sum(map(len, lines)), "several exports", view.path.name)
    return Recast(
        f"{len(found)} exports in a ZIP archive", ("\n".join(lines) + "\n").encode(), tuple(places), splits=True
    )


def _what_it_is(view: BytesView) -> str:
    """Say what a text without a table is."""
    text = view.head[:_LOOK].decode("utf-8", "replace")
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    numbered = [line for line in lines if any(c.isdigit() for c in line)]
    if text.lstrip()[:1] == "<":
        return "it is XML or a web page without a table of readings."
    if not numbered:
        return f"its {len(lines):,} line{'s' * (len(lines) != 1)} of text hold no number."
    if all(re.fullmatch(r"[+\-]?[\d.,]+(?:[eE][+\-]?\d+)?\s*\S{0,4}", line) for line in lines[-20:]):
        return "it has one value a line, with no time."
    if any(p in lines[0] for p in ",;\t") and len(numbered) < 2:
        return "it has a header and no line with readings."
    return f"its text is neither cells, key=value nor JSON; its first line with a number is `{numbered[0][:60]}`."
