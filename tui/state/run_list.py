"""The list of runs: filter, order, pages, cursor and marks, without a screen.

Knows pages of the library; no Textual, no SQL. Rows come in pages, so that a list of any length costs only
what is on screen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import TYPE_CHECKING, Any, NamedTuple

from tui.render import format as fmt
from tui.state.lines import Line, line
from tui.state.run_columns import DEFAULT_COLUMNS, FittedColumns, ListColumn, cell_text, column_named, lay_out

if TYPE_CHECKING:
    from store.model.records import RunPage

__all__ = ["PAGE", "Page", "RunList", "page_of", "wanted_columns"]

PAGE = 100
"""Runs per page."""

MOST_PAGES = 12
"""Pages that are kept; those farthest from the cursor go first."""

Row = Mapping[str, Any]


class Page(NamedTuple):
    """Rows of the list that follow one another."""

    rows: Sequence[Row]
    shown: int
    """How many runs fit the filter."""
    total: int
    """How many there are."""


def page_of(found: RunPage) -> Page:
    """A page of the library as rows; takes milliseconds, so not on the event loop."""
    return Page(found.table.to_pylist(), found.shown, found.total)


def wanted_columns(names: Sequence[str]) -> tuple[str, ...]:
    """Columns of the `runs` view that a list of such columns needs: those it shows, and what marks a row."""
    chosen = [column for name in names if (column := column_named(name)) is not None]
    uncertainties = [column.uncertainty for column in chosen if column.uncertainty]
    return ("run_id", "quality", *(column.name for column in chosen), *uncertainties)


@dataclass(slots=True)
class RunList:
    """State of the list and what it looks like."""

    signs: fmt.Signs = fmt.UNICODE_SIGNS
    zone: tzinfo | None = None
    filter_text: str = ""
    sort: str = "-started_at"
    columns: tuple[str, ...] = DEFAULT_COLUMNS
    shown: int = 0
    total: int = 0
    cursor: int = 0
    marks: dict[int, None] = field(default_factory=dict)
    """Marked run numbers, in the order of marking."""
    _pages: dict[int, Sequence[Row]] = field(default_factory=dict)
    _texts: dict[int, dict[str, str]] = field(default_factory=dict)
    _layouts: dict[int, FittedColumns] = field(default_factory=dict)
    _contents: dict[str, list[str]] = field(default_factory=dict)

    # what to ask for
    def wanted(self) -> tuple[str, ...]:
        """Columns of the `runs` view that the list needs."""
        return wanted_columns(self.columns)

    def missing_pages(self, first: int, last: int) -> list[int]:
        """Pages that hold rows `first` to `last` and are not loaded."""
        last = min(last, self.shown - 1)
        if last < 0 or first > last:
            return []
        return [page for page in range(max(first, 0) // PAGE, last // PAGE + 1) if page not in self._pages]

    def window(self) -> tuple[int, int]:
        """Offset and limit of the pages around the cursor, to load anew after the library changed."""
        page = self.cursor // PAGE
        first = max(page - 1, 0)
        return first * PAGE, (page + 2 - first) * PAGE

    # what came
    def replace(self, page: Page, offset: int = 0, *, keep_run: int | None = None) -> None:
        """Take the first rows of a new list; the cursor goes back to the run it stood on, where that is among them.

        Args:
            page: Rows from `offset` on, a multiple of PAGE.
            offset: Index of the first row.
            keep_run: Run to find again; None puts the cursor on the first row.
        """
        self.shown, self.total = page.shown, page.total
        self._forget()
        self._take(page, offset)
        if keep_run is None:
            self.cursor = 0
        else:
            found = self.index_of(keep_run)
            self.cursor = min(self.cursor if found is None else found, max(self.shown - 1, 0))

    def add(self, page: Page, offset: int) -> None:
        """Take further rows of the same list."""
        if page.shown != self.shown:
            self.shown, self.total = page.shown, page.total
        self._take(page, offset)

    def _take(self, page: Page, offset: int) -> None:
        rows = page.rows
        for start in range(0, len(rows), PAGE):
            self._pages[(offset + start) // PAGE] = rows[start : start + PAGE]
        if not rows and offset == 0:
            self._pages[0] = []
        self._let_go(offset // PAGE)
        for index, row in enumerate(rows, start=offset):
            self._texts[index] = self._cells_of(row)
        self._align()

    def _let_go(self, near: int) -> None:
        """Forget the pages farthest from a page where there are too many."""
        for page in sorted(self._pages, key=lambda page: abs(page - near))[MOST_PAGES:]:
            del self._pages[page]
            for index in range(page * PAGE, (page + 1) * PAGE):
                self._texts.pop(index, None)

    def _cells_of(self, row: Row) -> dict[str, str]:
        chosen = [column for name in self.columns if (column := column_named(name)) is not None]
        return {column.name: cell_text(column, row, self.zone, self.signs) for column in chosen}

    def _forget(self) -> None:
        self._pages.clear()
        self._texts.clear()

    def _align(self) -> None:
        """Set decimal points of each column of figures under one another."""
        self._contents = {}
        self._layouts.clear()
        for column in filter(None, map(column_named, self.columns)):
            texts = [of[column.name] for of in self._texts.values()]
            if column.kind == "number":
                texts = fmt.align_on_point([text.rstrip() for text in texts])
                for of, text in zip(self._texts.values(), texts, strict=True):
                    of[column.name] = text
            self._contents[column.name] = texts

    # what is where
    def row(self, index: int) -> Row | None:
        """The row at an index of the list; None where it is not loaded."""
        page = self._pages.get(index // PAGE)
        inside = index % PAGE
        return page[inside] if page is not None and inside < len(page) else None

    def run_id(self, index: int | None = None) -> int | None:
        """The run's number at an index, or under the cursor."""
        row = self.row(self.cursor if index is None else index)
        return None if row is None else int(row["run_id"])

    def index_of(self, run_id: int) -> int | None:
        """Where a run stands among the loaded rows."""
        for page, rows in self._pages.items():
            for inside, row in enumerate(rows):
                if row["run_id"] == run_id:
                    return page * PAGE + inside
        return None

    # what a person does
    def toggle_mark(self, run_id: int) -> None:
        """Mark a run, or take its mark away."""
        if run_id in self.marks:
            del self.marks[run_id]
        else:
            self.marks[run_id] = None

    def subjects(self) -> list[int]:
        """The marked runs, else the one under the cursor."""
        if self.marks:
            return list(self.marks)
        here = self.run_id()
        return [] if here is None else [here]

    def order_by(self, name: str) -> None:
        """Order the list by a column; again turns it round."""
        self.sort = f"-{name}" if self.sort == name else name

    def turn_order(self) -> None:
        """Turn the order round."""
        self.sort = self.sort[1:] if self.sort.startswith("-") else f"-{self.sort}"

    def choose_columns(self, names: Sequence[str]) -> None:
        """Show these columns in this order; none chosen brings the usual ones back."""
        self.columns = tuple(name for name in names if column_named(name) is not None) or DEFAULT_COLUMNS
        for index in list(self._texts):
            row = self.row(index)
            self._texts[index] = {} if row is None else self._cells_of(row)
        self._align()

    # what it looks like
    def count_text(self) -> str:
        """How many of how many runs are shown."""
        marked = f", {fmt.count(len(self.marks))} marked" if self.marks else ""
        return f"{fmt.count(self.shown)} of {fmt.count(self.total)}{marked}"

    def layout(self, width: int) -> FittedColumns:
        """Columns at a width; a cell at the left stays for a mark, two at the right for what wants attention."""
        if width not in self._layouts:
            self._layouts[width] = lay_out(self.columns, width - 3, self._contents, self._head_of)
        return self._layouts[width]

    def _head_of(self, column: ListColumn) -> str:
        head = self.signs.unit(column.head)
        if self.sort.lstrip("-") != column.name:
            return head
        return head + (self.signs.down if self.sort.startswith("-") else self.signs.up)

    def head_line(self, width: int) -> Line:
        """Names of the columns, units in them."""
        layout = self.layout(width - 2)
        cells = layout.row([self._head_of(column) for column in layout.columns])
        parts: list[str | tuple[str, str]] = ["   "]
        for column, cell in zip(layout.columns, cells, strict=True):
            parts += [(cell, "accent" if self.sort.lstrip("-") == column.name else "head"), "  "]
        return line(*parts)

    def row_line(self, index: int, width: int) -> Line | None:
        """One row, without the cursor's sign; None where it is not loaded yet."""
        row, texts = self.row(index), self._texts.get(index)
        if row is None or texts is None:
            return None
        layout = self.layout(width)
        cells = layout.row([texts[column.name] for column in layout.columns], self.signs.ellipsis)
        role = "dim" if row.get("quality") == "rejected" else ""
        mark = (self.signs.mark, "accent") if row["run_id"] in self.marks else (" ", "")
        flag = ("!", "warn") if row.get("quality") not in {None, "ok"} else (" ", "")
        return line(mark, (("  ").join(cells), role), " ", flag)
