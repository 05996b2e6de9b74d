"""A page as data: headings, facts, tables, plots, in which numbers stay numbers with unit and uncertainty.

Every page of the program is a `Document`: made by one function in `store/documents`, turned into text for a terminal,
lines for a screen, HTML, Markdown or JSON by `tui/render`. Knows no catalogue and no screen.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from store.model.spec import Shown
from store.words.numbers import COVERAGE, figure_text

__all__ = [
    "Amount",
    "Band",
    "Bar",
    "Bars",
    "Block",
    "Cell",
    "Document",
    "FactList",
    "Heading",
    "Manner",
    "Matrix",
    "MatrixRow",
    "Panel",
    "Paragraph",
    "Plot",
    "Role",
    "Series",
    "Sql",
    "Table",
    "TableColumn",
    "cells_of",
    "plots_of",
    "words",
]


class Role(StrEnum):
    """What a piece is, for whoever colours it; it is always told in words or by a sign too."""

    PLAIN = ""
    HEAD = "head"
    DIM = "dim"
    WARN = "warn"
    CAUTION = "caution"
    MET = "met"
    NOT_MET = "not met"
    TOO_CLOSE = "too close to call"
    NOT_TESTED = "not tested"
    NOT_CHECKABLE = "not checkable"
    NOT_AT_PORT = "not checkable at the port"
    AS_MARKED = "as marked"
    BEST = "best"
    WORST = "worst"
    OVERDUE = "overdue"
    DONE = "done"
    REPEAT = "repeat"
    SUSPECT = "suspect"
    TO_DO = "to do"
    NOT_OFFERED = "not offered"

    @classmethod
    def of(cls, word: str) -> Role:
        """The role of a verdict, or of a cell of the course, by its word; plain where there is none."""
        return cls(word) if word in cls._value2member_map_ else cls.PLAIN


class Manner(StrEnum):
    """How a paragraph is meant."""

    PLAIN = "plain"
    LEAD = "lead"
    NOTE = "note"
    CAUTION = "caution"
    ITEM = "item"
    """One of a list: those that follow one another make it."""
    OPINION = "opinion"


@dataclass(frozen=True, slots=True)
class Amount:
    """A number with its unit, its uncertainty and how it is read."""

    value: float
    unit: str = "1"
    uncertainty: float | None = None
    """Standard uncertainty (k = 1), in `unit`; 0 for what is exact, None where unknown."""
    shown: Shown = Shown.NUMBER
    coverage: float = COVERAGE
    """What expands the uncertainty to about 95 %."""

    def text(self, *, with_unit: bool = True) -> str:
        """As every page prints it."""
        return figure_text(
            self.value, self.uncertainty, self.unit, self.shown, coverage=self.coverage, with_unit=with_unit
        )


@dataclass(frozen=True, slots=True)
class Cell:
    """Words, or a number; or neither."""

    text: str = ""
    """Words; beside a number, what follows it."""
    quantity: Amount | None = None
    role: Role = Role.PLAIN
    note: str = ""
    """Small print under it."""
    runs: tuple[int, ...] = ()
    """The runs behind it."""
    result: str = ""
    """The result's name in the library, where it is one: `energy_out_wh`."""

    def shown(self, *, with_unit: bool = True) -> str:
        """What stands in it, but for its note: the number, then the words, else the runs."""
        figure = self.quantity.text(with_unit=with_unit) if self.quantity is not None else ""
        joint = " " if self.text.startswith(("of ", "at ")) else ", "
        told = joint.join(part for part in (figure, self.text) if part)
        return told or ", ".join(map(str, self.runs))


@dataclass(frozen=True, slots=True)
class TableColumn:
    """A column of a table."""

    head: str
    is_number: bool = False
    """Set to the right, on the decimal point."""
    wraps: bool = False
    """Gives way where the line is too long, and goes on below: for sentences."""


@dataclass(frozen=True, slots=True)
class Heading:
    """A title; `id` is a stable word to link to."""

    text: str
    level: int = 2
    id: str = ""


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A sentence or several."""

    text: str
    manner: Manner = Manner.PLAIN
    head: str = ""
    """What it is about, set before it: `good for`."""


@dataclass(frozen=True, slots=True)
class FactList:
    """Names with what is known of them."""

    pairs: tuple[tuple[str, Cell], ...]
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells; where no table fits, a row becomes a block under its first `titles` cells."""

    columns: tuple[TableColumn, ...]
    rows: tuple[tuple[Cell, ...], ...]
    caption: str = ""
    note: str = ""
    titles: int = 1


@dataclass(frozen=True, slots=True)
class MatrixRow:
    """A row of a matrix: what it is about, and a cell per column."""

    label: str
    cells: tuple[Cell, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Matrix:
    """States of things that are crossed with others, a sign each: tests by port and mode."""

    columns: tuple[tuple[str, str], ...]
    """Group and name of each: `C1`, `20V`."""
    rows: tuple[MatrixRow, ...]
    caption: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Bar:
    """One measured value as a bar with its ± and what was promised."""

    label: str
    cell: Cell
    """The value, or the words why there is none."""
    lower: float | None = None
    """The least that was promised, in the value's unit."""
    upper: float | None = None
    """The most that was allowed."""
    verdict: Cell | None = None
    promised: str = ""


@dataclass(frozen=True, slots=True)
class Bars:
    """Bars under one another: each on a scale of its own (claims), or all on one (devices by one quantity)."""

    bars: tuple[Bar, ...]
    caption: str = ""
    has_one_scale: bool = False
    is_comparable: bool = True
    """False where like does not stand beside like: then values are printed and no bars drawn."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Series:
    """One line or one set of points."""

    label: str
    x: tuple[float, ...]
    y: tuple[float | None, ...]
    low: tuple[float | None, ...] = ()
    """Lower edge of a band or an error bar about y; empty for none."""
    high: tuple[float | None, ...] = ()
    style: int = 0
    """Which colour, dash and marker."""
    manner: str = "line"
    """`line`, `points`, `line and points`, or `bars`: one under another, named by the panel's `x_words`."""


@dataclass(frozen=True, slots=True)
class Band:
    """A span of y that is allowed, or a limit where both ends are one."""

    label: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Panel:
    """One pair of axes."""

    y_label: str
    series: tuple[Series, ...]
    bands: tuple[Band, ...] = ()
    title: str = ""
    x_label: str = ""
    """Empty where the panel below has it."""
    from_zero: bool = False
    x_from_zero: bool = False
    x_words: tuple[str, ...] = ()
    """Words instead of numbers at x = 0, 1, 2 ..."""
    values: tuple[str, ...] = ()
    """What stands behind each bar."""
    marks: tuple[tuple[float, str], ...] = ()
    """Moments on x with what happened then."""


@dataclass(frozen=True, slots=True)
class Plot:
    """A figure."""

    id: str
    """Stable word: file name and anchor."""
    title: str
    alt: str
    """What it shows, in words, for those who can't see it."""
    panels: tuple[Panel, ...]
    across: int = 1
    """Panels in a row; 1 stacks them on one x axis."""
    note: str = ""
    sql: str = ""
    run_ids: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Sql:
    """A statement by which a stranger gets a figure again."""

    name: str
    """What it gives: `delivered energy`."""
    sql: str
    quantity: Amount | None = None
    """The single number that it gives; None where it gives rows."""
    note: str = ""


Block = Heading | FactList | Table | Paragraph | Plot | Matrix | Sql | Bars


@dataclass(frozen=True, slots=True)
class Document:
    """A page."""

    title: str
    blocks: tuple[Block, ...]


def words(*texts: str, manner: Manner = Manner.PLAIN) -> tuple[Paragraph, ...]:
    """Paragraphs of one manner; empty texts are left out."""
    return tuple(Paragraph(text, manner) for text in texts if text)


def plots_of(document: Document) -> Iterator[Plot]:
    """Every plot in the order of the page."""
    return (block for block in document.blocks if isinstance(block, Plot))


def cells_of(document: Document) -> Iterator[Cell]:
    """Every cell in the order of the page."""
    for block in document.blocks:
        match block:
            case FactList():
                yield from (cell for _, cell in block.pairs)
            case Table():
                yield from (cell for row in block.rows for cell in row)
            case Matrix():
                yield from (cell for row in block.rows for cell in row.cells)
            case Bars():
                yield from (cell for bar in block.bars for cell in (bar.cell, bar.verdict) if cell is not None)
            case Sql(quantity=found) if found is not None:
                yield Cell(quantity=found)
            case _:
                pass
