"""What is known of one result before any run is looked at: its words, its unit, where it is shown, how it is got again.

Knows words only. Each result's spec stands beside the function that computes it; `store.methods.specs` collects them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from store.methods.sql_parts import Place

__all__ = ["LATER", "Better", "Redo", "ResultSpec", "Shown"]

LATER = 500
"""Place on a glance of a result that answers a question, but none of the first."""

Redo = Callable[["Place"], "str | None"]
"""Writes the statement that gets a result again from the Parquet alone; None where this one has none."""


class Shown(StrEnum):
    """How a value is read on a page."""

    NUMBER = "number"
    SHARE = "share"
    """A plain number that is read in percent."""
    DURATION = "duration"
    COUNT = "count"
    TEXT = "text"


class Better(StrEnum):
    """Which way is better; a result without one is set side by side without a best."""

    LARGER = "larger"
    SMALLER = "smaller"


@dataclass(frozen=True, slots=True, eq=False)
class ResultSpec:
    """One result, as every page, list, filter and claim knows it."""

    name: str
    """In the library and in SQL; ends in its unit. `#` stands for a number of two digits: `level_#_voltage_v`."""
    label: str
    """What pages and claims call it."""
    unit: str
    """`1` for a plain number, empty for words."""
    short: str = ""
    """The label where a column is narrow (18 cells); the label itself where that fits."""
    shown: Shown = Shown.NUMBER
    kinds: tuple[str, ...] = ()
    """Kinds of run that count for a claim that names none; empty is any kind."""
    better: Better | None = None
    on_page: Mapping[str, int] = field(default_factory=dict)
    """Kinds of test whose table on a device's page has it, and its place there: lower comes first."""
    compared_for: Mapping[str, int] = field(default_factory=dict)
    """Kinds of device whose comparison has it, and its place there."""
    glance: int | None = LATER
    """Place among a run's most telling results; None for what only describes the record."""
    runs_column: bool = False
    """Whether the `runs` view has a column of it, which takes a migration."""
    filter_words: Mapping[str, float] = field(default_factory=dict)
    """Words of the filter line, and what the value is divided by for each: `{"held": 60.0}` for minutes."""
    rests_on: tuple[str, ...] = ()
    """Constants of detection that decide about it, beside those of the load window."""
    redo: Redo | None = None
    """The statement that gets it again from the Parquet alone."""
    to_get_it: str = ""
    """What the tester does to get it, where that is no run of its kinds."""
    source: str = ""
    """Standard or text that its definition is from; its method names that of its formula."""
    is_of_device: bool = False
    """True where it comes from the sheet or from several runs together."""

    @property
    def brief(self) -> str:
        """The label for a narrow column."""
        return self.short or self.label
