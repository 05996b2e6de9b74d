"""The content of a report as frozen records: what is said, apart from how it looks.

Numbers stay numbers with their uncertainty and unit until a page is made of them. Knows no catalogue and no screen.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

__all__ = [
    "Band",
    "Block",
    "Cell",
    "Column",
    "Panel",
    "Plot",
    "Query",
    "Report",
    "Section",
    "Series",
    "Table",
    "Text",
    "number",
    "plots_of",
    "words",
]


@dataclass(frozen=True, slots=True)
class Cell:
    """Words, or a number with its uncertainty; or neither."""

    text: str = ""
    value: float | None = None
    """In the column's unit before scaling."""
    uncertainty: float | None = None
    """Standard uncertainty (k = 1); None where unknown."""
    unit: str = ""
    """Of this cell alone, where the column has none."""
    mark: str = ""
    """`met`, `not met`, `too close to call`, `not tested`, `not checkable`, `best`, `worst` ...: shown in words too."""
    note: str = ""
    """Small print under it."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table."""

    head: str
    unit: str = ""
    """As shown in the head."""
    scale: float = 1.0
    """Shown value = value x scale."""
    is_number: bool = False


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph, or a list of short ones."""

    paragraphs: tuple[str, ...]
    manner: str = "plain"
    """`plain`, `lead`, `caution`, `note`, `list` or `opinion`."""


@dataclass(frozen=True, slots=True)
class Table:
    """A table with a caption."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    is_wide: bool = False
    """Many columns: set small, and scrolled sideways on a narrow screen."""


@dataclass(frozen=True, slots=True)
class Query:
    """A question in SQL by which a stranger gets a figure again."""

    name: str
    """What it gives: `delivered energy`."""
    sql: str
    value: float | None = None
    """The single number that it gives; None where it gives rows."""
    unit: str = ""
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
    """`line`, `points` or `line and points`."""


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
    x_words: tuple[str, ...] = ()
    """Words instead of numbers at x = 0, 1, 2 ..."""


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


Block = Text | Table | Plot | Query


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with what stands under it."""

    id: str
    title: str
    blocks: tuple[Block, ...]
    level: int = 2


@dataclass(frozen=True, slots=True)
class Report:
    """All that a report says, but for when it was issued."""

    title: str
    devices: tuple[str, ...]
    lang: str
    tester: str
    contact: str
    place: str
    opinions: tuple[str, ...]
    sections: tuple[Section, ...]
    run_ids: tuple[int, ...]

    def as_json(self) -> str:
        """The content as canonical JSON: the same content gives the same text."""
        return json.dumps(_tagged(self), ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)

    @property
    def sha256(self) -> str:
        """Hash of the content."""
        return hashlib.sha256(self.as_json().encode()).hexdigest()

    @classmethod
    def from_json(cls, text: str) -> Report:
        """The inverse of `as_json`."""
        data = json.loads(text)
        sections = tuple(_section(item) for item in data["sections"])
        plain = {key: tuple(data[key]) for key in ("devices", "opinions", "run_ids")}
        return cls(**{**data, **plain, "sections": sections})


def words(*paragraphs: str, manner: str = "plain") -> Text:
    """A text block."""
    return Text(tuple(p for p in paragraphs if p), manner)


def number(value: float | None, uncertainty: float | None = None, **more: Any) -> Cell:
    """A cell that holds a number."""
    return Cell(value=value, uncertainty=uncertainty, **more)


def plots_of(report: Report) -> Iterator[Plot]:
    """Every plot in the order of the page."""
    for section in report.sections:
        for block in section.blocks:
            if isinstance(block, Plot):
                yield block


_BLOCKS: dict[str, type] = {"text": Text, "table": Table, "plot": Plot, "query": Query}


def _tagged(report: Report) -> dict[str, Any]:
    data = asdict(report)
    for section, plain in zip(report.sections, data["sections"], strict=True):
        for block, item in zip(section.blocks, plain["blocks"], strict=True):
            item["block"] = type(block).__name__.lower()
    return data


def _section(data: dict[str, Any]) -> Section:
    return Section(data["id"], data["title"], tuple(_block(item) for item in data["blocks"]), data["level"])


def _block(data: dict[str, Any]) -> Block:
    kind = data.pop("block")
    if kind == "table":
        data["columns"] = tuple(Column(**item) for item in data["columns"])
        data["rows"] = tuple(tuple(Cell(**cell) for cell in row) for row in data["rows"])
    elif kind == "plot":
        data["panels"] = tuple(_panel(item) for item in data["panels"])
        data["run_ids"] = tuple(data["run_ids"])
    elif kind == "text":
        data["paragraphs"] = tuple(data["paragraphs"])
    block: Block = _BLOCKS[kind](**data)
    return block


def _panel(data: dict[str, Any]) -> Panel:
    lists = ("x", "y", "low", "high")
    series = tuple(Series(**{**item, **{key: tuple(item[key]) for key in lists}}) for item in data["series"])
    return Panel(
        **{
            **data,
            "series": series,
            "bands": tuple(Band(**item) for item in data["bands"]),
            "x_words": tuple(data["x_words"]),
        }
    )
