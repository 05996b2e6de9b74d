"""Columns of the list of runs: what each shows, how wide, and which go first where room is short.

Knows rows of the `runs` view as mappings; no Textual.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any, NamedTuple

from tui.render import format as fmt
from tui.render.plain import fit, plain, width_of

__all__ = [
    "CASE_TEMPERATURE",
    "COLUMNS",
    "DEFAULT_COLUMNS",
    "FittedColumns",
    "ListColumn",
    "cell_text",
    "column_named",
    "lay_out",
]

Row = Mapping[str, Any]

GAP = 2
"""Blank cells between columns."""


class ListColumn(NamedTuple):
    """One column of the list."""

    name: str
    """ListColumn of the `runs` view; the list is ordered by it."""
    head: str
    words: str
    """What it holds, for the list of columns."""
    kind: str = "text"
    """`text`, `date`, `time`, `number`, `span` or `count`."""
    most: int = 16
    """Widest, in cells."""
    least: int = 4
    """Narrowest that still says something."""
    decimals: int = 3
    """Most decimals of a number."""
    uncertainty: str = ""
    """ListColumn of the `runs` view that holds its standard uncertainty, in the same unit."""
    keeps: int = 5
    """How long it stays where room is short: lower goes first."""

    @property
    def is_figure(self) -> bool:
        """Whether it is set flush right."""
        return self.kind in {"number", "span", "count"}


CASE_TEMPERATURE = "temperature_max_c"
"""The column of the case's largest temperature."""

COLUMNS: tuple[ListColumn, ...] = (
    ListColumn("started_at", "date", "day of the run", "date", 10, 10, keeps=4),
    ListColumn("device", "device", "inventory code", most=12, least=6, keeps=10),
    ListColumn("port", "port", "connector's marking", most=8, least=5, keeps=9),
    ListColumn("mode", "mode", "what was negotiated; a voltage alone is a fixed one", most=16, least=6, keeps=8),
    ListColumn("kind", "kind", "what was done", most=12, least=9, keeps=7),
    ListColumn("load_set", "load", "load that was set", most=12, least=8, keeps=3),
    ListColumn(
        "energy_wh", "Wh", "energy at the port", "number", decimals=2, uncertainty="energy_uncertainty_wh", keeps=12
    ),
    ListColumn("duration_s", "h:mm", "length of the run", "span", keeps=6),
    ListColumn(CASE_TEMPERATURE, "°C", "maximum case temperature", "number", decimals=1, keeps=5),
    ListColumn("charge_ah", "Ah", "charge at the port", "number", uncertainty="charge_uncertainty_ah", keeps=3),
    ListColumn("power_mean_w", "W mean", "mean power", "number", keeps=3),
    ListColumn("power_plateau_w", "W held", "power of the plateau", "number", keeps=3),
    ListColumn("voltage_mean_v", "V mean", "mean voltage", "number", keeps=3),
    ListColumn("current_mean_a", "A mean", "mean current", "number", keeps=3),
    ListColumn("held_s", "held", "how long the set power was held", "span", keeps=3),
    ListColumn("ambient_c", "room °C", "ambient temperature", "number", keeps=3),
    ListColumn("samples", "samples", "samples in the trace", "count", keeps=2),
    ListColumn("interval_s", "step s", "time between samples", "number", keeps=2),
    ListColumn("meter", "meter", "the instrument", most=8, keeps=3),
    ListColumn("direction", "way", "which way energy flows", most=4, least=3, keeps=2),
    ListColumn("group_id", "group", "runs recorded at the same time", "count", keeps=2),
    ListColumn("quality", "quality", "ok, suspect or rejected", most=9, least=7, keeps=3),
    ListColumn("note", "note", "what was noted", most=24, keeps=1),
    ListColumn("profile", "profile", "how the export was read", most=14, keeps=1),
    ListColumn("source_file", "file", "the export's name", most=24, keeps=1),
    ListColumn("run_id", "run", "the run's number", "count", keeps=4),
)
"""Every column that can be chosen, by its place in the `runs` view."""

_BY_NAME = {column.name: column for column in COLUMNS}

DEFAULT_COLUMNS: tuple[str, ...] = (
    "started_at",
    "device",
    "port",
    "mode",
    "kind",
    "load_set",
    "energy_wh",
    "duration_s",
    CASE_TEMPERATURE,
)
"""The columns at first, in order."""


def column_named(name: str) -> ListColumn | None:
    """A column by its name in the `runs` view."""
    return _BY_NAME.get(name)


def cell_text(column: ListColumn, row: Row, zone: tzinfo | None, signs: fmt.Signs) -> str:
    """One cell's text; empty where the run has no such value."""
    value = row.get(column.name)
    if value is None or (isinstance(value, float) and value != value):  # noqa: PLR0124 (NaN)
        return ""
    if column.kind == "date":
        return fmt.local_date(_aware(value), zone) if isinstance(value, datetime) else plain(value)
    if column.kind == "number":
        uncertainty = row.get(column.uncertainty) if column.uncertainty else None
        if uncertainty:
            return fmt.number(float(value), min(fmt.decimals_of(float(value), float(uncertainty)), column.decimals))
        return fmt.significant(float(value), 3, most_decimals=column.decimals)
    if column.kind == "span":
        return fmt.hours_minutes(float(value))
    if column.kind == "count":
        return fmt.count(int(value)) if column.name == "samples" else str(value)
    text = plain(value, ascii_only=signs.is_ascii)
    return fmt.short_mode(text) if column.name == "mode" else text


def _aware(moment: datetime) -> datetime:
    """The `runs` view gives UTC without saying so."""
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


class FittedColumns(NamedTuple):
    """Which columns are shown and how wide each is."""

    columns: tuple[ListColumn, ...]
    widths: tuple[int, ...]

    def row(self, texts: Sequence[str], ellipsis: str = "…") -> list[str]:
        """Cells cut and padded to their columns' widths."""
        return [
            fit(text, width, right=column.is_figure, ellipsis=ellipsis)
            for text, width, column in zip(texts, self.widths, self.columns, strict=True)
        ]

    @property
    def width(self) -> int:
        """Cells that all columns take, with the gaps between."""
        return sum(self.widths) + GAP * max(len(self.widths) - 1, 0)


def _with_gaps(widths: Sequence[int]) -> int:
    return sum(widths) + GAP * max(len(widths) - 1, 0)


def lay_out(
    names: Sequence[str], width: int, contents: Mapping[str, Sequence[str]], heads: Callable[[ListColumn], str]
) -> FittedColumns:
    """Fit the chosen columns into a width: shrink the widest texts first, then drop columns by their rank.

    Args:
        names: Columns wanted, in order.
        width: Cells at hand.
        contents: Texts of the loaded rows per column.
        heads: The head of a column, with the sign of the order.
    """
    chosen = [column for name in names if (column := column_named(name)) is not None]
    wide = {column.name: _wanted(column, contents.get(column.name, ()), heads(column)) for column in chosen}
    while chosen:
        missing = _with_gaps([wide[c.name] for c in chosen]) - width
        for column in sorted(chosen, key=lambda c: c.keeps):
            if missing > 0 and not column.is_figure:
                given = min(max(wide[column.name] - max(column.least, width_of(heads(column))), 0), missing)
                wide[column.name] -= given
                missing -= given
        if missing <= 0 or len(chosen) == 1:
            break
        chosen.remove(min(chosen, key=lambda c: c.keeps))
        for column in chosen:
            wide[column.name] = _wanted(column, contents.get(column.name, ()), heads(column))
    return FittedColumns(tuple(chosen), tuple(wide[column.name] for column in chosen))


def _wanted(column: ListColumn, texts: Sequence[str], head: str) -> int:
    longest = max((width_of(text) for text in texts), default=0)
    most = max(column.most, width_of(head))
    return min(max(longest, width_of(head), 4 if column.is_figure else 0), most)
