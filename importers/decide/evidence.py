"""The state of one decision: what was found, what is settled, what stays open.

Knows the records that evidence comes in. Decides nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from importers.clock.clockwork import Clockwork
from importers.decide.columns import Column
from importers.decide.plan import ColumnPlan, Plan, Question
from importers.schema import Problem
from importers.text.preamble import Preamble
from importers.text.rowset import Rows
from importers.text.shape import TableLayout
from importers.vocabulary.words import Unit, Vocabulary

__all__ = ["KEYS", "FileDecision", "Work", "masked", "median_step"]

Array = npt.NDArray[np.float64]
KEYS = {
    "voltage_v": "voltage",
    "current_a": "current",
    "power_w": "power",
    "energy_wh": "energy",
    "charge_ah": "charge",
}
"""Channels that laws tie together, by the names that laws use."""


@dataclass(slots=True)
class FileDecision:
    """What was decided, and what stays open."""

    plan: Plan | None
    questions: list[Question] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    penalty: float = 0.0
    """How badly numbers contradict the reading: to choose between two ways to read decimals."""


@dataclass(slots=True)
class Work:
    """State of one decision."""

    layout: TableLayout
    columns: list[Column]
    rows: Rows
    words: Vocabulary
    preamble: Preamble
    answers: Mapping[str, str]
    decision: FileDecision
    clock: Clockwork
    seconds: Array
    mask: npt.NDArray[np.bool_] | None
    plans: dict[int, ColumnPlan] = field(default_factory=dict)
    time_unit: Unit | None = None
    asked: set[str] = field(default_factory=set)
    """Quantities whose unit an answer to what is asked will tell."""
    direction: str | None = None
    """As a profile states it."""


def median_step(seconds: Array) -> float | None:
    """Typical time between distinct readings, in their unit; None without any."""
    steps = np.abs(np.diff(seconds[np.isfinite(seconds)]))
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else None


def masked(values: Array, mask: npt.NDArray[np.bool_] | None) -> Array:
    """Values of the rows that count for physics: those of one port."""
    return values if mask is None or len(mask) != len(values) else values[mask]
