"""The complete plan by which a file becomes runs: plain frozen records, made by `decide` or from a profile.

Knows the normal form and layouts. Reads no file and decides nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from importers.clock.forms import ClockForm
from importers.schema import Facts
from importers.text.shape import TableLayout

__all__ = ["Choice", "ColumnPlan", "PartColumn", "Plan", "Question", "RunPlan"]


@dataclass(frozen=True, slots=True)
class Choice:
    """One possible answer."""

    value: str
    label: str


@dataclass(frozen=True, slots=True)
class Question:
    """What can't be told from the file and would change the results."""

    id: str
    text: str
    choices: tuple[Choice, ...]
    """Empty where any number may be given."""
    option: str
    """The command-line form that answers it."""
    column: str | None = None
    example: str = ""
    """A line for a profile that answers it for good."""

    def as_json(self) -> dict[str, Any]:
        """Id, text, choices and the option that answers, as `--json` prints them."""
        return {
            "id": self.id,
            "text": self.text,
            "choices": [{"value": c.value, "label": c.label} for c in self.choices],
            "option": self.option,
            "column": self.column,
            "profile_line": self.example,
        }


@dataclass(frozen=True, slots=True)
class ColumnPlan:
    """What one column of the file becomes."""

    index: int
    name: str
    channel: str | None
    """A channel, `t_s`, `port`, or None where the column is not used."""
    unit: str = ""
    factor: float = 1.0
    offset: float = 0.0
    port: str | None = None
    confidence: float = 0.0
    reason: str = ""
    cell_units: tuple[tuple[str, float], ...] = ()
    """Units behind the numbers in the cells, with factors to `unit`."""
    quantity: str | None = None
    side: str | None = None
    unit_column: int | None = None
    """Column that holds the unit of each row, one of `cell_units`."""
    evidence: tuple[str, ...] = ()
    """Kinds of evidence that `confidence` sums up, as `decide.weights` lists them."""


@dataclass(frozen=True, slots=True)
class RunPlan:
    """One port's part of every row."""

    port: str | None
    columns: tuple[ColumnPlan, ...]
    direction: str | None
    turned: tuple[str, ...] = ()
    """Channels whose sign is turned round."""
    follow_current: bool = False
    """True where power is printed without sign and gets the current's."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class PartColumn:
    """A column by which rows part into runs."""

    index: int
    by: str
    """What it names: `port`, `device`, or `row` for anything else, such as a sensor or a test."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything that reading needs to know."""

    layout: TableLayout
    columns: tuple[ColumnPlan, ...]
    runs: tuple[RunPlan, ...]
    clock: ClockForm
    clock_confidence: float
    clock_reason: str
    date_clock: ClockForm | None = None
    """A wall clock beside an elapsed one: gives started_at only."""
    parts: tuple[PartColumn, ...] = ()
    """Columns that say of which port, device or test each row is, where they stand one below the other."""
    zone: str = "UTC"
    stated: Facts = field(default_factory=Facts)
    started_note: str = ""
    day_us: int | None = None
    """Day that the preamble states without a time: local midnight, microseconds of 1970."""
    step_s: float = 1.0
    """Typical time between distinct readings of the clock [s]."""
