"""A page with a table, as programs write it that call it a workbook -> a table. Knows HTML, by the standard library."""

from __future__ import annotations

import re
from html.parser import HTMLParser

from importers.problems import ImportRefused
from importers.text.recast.recast import Recast, table_text

__all__ = ["has_table", "web_table"]

_SPAN = 100
"""Most cells that one may span (chosen by us)."""


def has_table(head: str) -> bool:
    """Tell whether a text is a page with a table."""
    return head.lstrip("\ufeff \t\r\n")[:1] == "<" and re.search(r"(?i)<table\b", head) is not None


class _Tables(HTMLParser):
    """Collects the rows of every table, with the line on which each begins."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tables: list[list[tuple[int, list[str]]]] = []
        self.open: list[list[tuple[int, list[str]]]] = []
        self.cell: list[str] | None = None
        self.span = 1

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Begin a table, a row or a cell; the one before may not have been closed."""
        if tag == "table":
            self._end_cell()
            rows: list[tuple[int, list[str]]] = []
            self.tables.append(rows)
            self.open.append(rows)
        elif tag == "tr" and self.open:
            self._end_cell()
            self.open[-1].append((self.getpos()[0], []))
        elif tag in {"td", "th"} and self.open and self.open[-1]:
            self._end_cell()
            self.cell = []
            said = dict(attrs).get("colspan") or "1"
            self.span = min(int(said), _SPAN) if said.isdigit() else 1
        elif tag == "br" and self.cell is not None:
            self.cell.append(" ")

    def handle_endtag(self, tag: str) -> None:
        """End a cell, a row or a table."""
        if tag in {"td", "th", "tr", "table"}:
            self._end_cell()
        if tag == "table" and self.open:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        """Take a cell's text."""
        if self.cell is not None:
            self.cell.append(data)

    def _end_cell(self) -> None:
        if self.cell is not None and self.open and self.open[-1]:
            text = " ".join("".join(self.cell).split())
            self.open[-1][-1][1].extend([text] + [""] * (self.span - 1))
        self.cell = None


def web_table(text: str, file: str) -> Recast:
    """Make the table of the page's longest one.

    Raises:
        ImportRefused: no table has two rows.
    """
    page = _Tables()
    page.feed(text)
    page.close()
    rows = max(page.tables, key=len, default=[])
    rows = [(line, cells) for line, cells in rows if cells]
    if len(rows) < 2:
        raise ImportRefused.because(
            "no-table", f"{file} is a web page without a table of readings. Export it as CSV.", file=file
        )
    return Recast("a web page's table", table_text(c for _, c in rows), lines=tuple(line for line, _ in rows))
