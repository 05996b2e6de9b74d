"""Figures of pages as cells of a document: value, ±, unit, condition and runs. Knows records; no catalogue."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from store.devices.records import Figure
from store.methods.specs import spec_of
from store.model.document import Amount, Cell, Role
from store.model.spec import Shown
from store.uncertainty.decision import Verdict
from store.uncertainty.freedom import coverage_factor
from store.words.numbers import shown_in, significant

__all__ = [
    "MISSING",
    "PLUS_MINUS_NOTE",
    "amount",
    "figure_cell",
    "mode_words",
    "place_words",
    "repeats_words",
    "runs_cell",
    "runs_words",
    "shown_of",
    "stated",
    "verdict_amount",
]

MISSING = "-"
"""Stands for a figure that there is none of."""

PLUS_MINUS_NOTE = (
    "± is twice the standard uncertainty, more where degrees of freedom are few (about 95 %). Without it counts, "
    "ratings and set loads are exact; of other figures the uncertainty is not known."
)


def shown_of(name: str, unit: str) -> Shown:
    """How the result of that name is read; a time as a duration, whatever it is called."""
    if unit in ("s", "min", "h"):
        return Shown.DURATION
    spec = spec_of(name.removeprefix("model_"))
    return spec.shown if spec is not None and unit == "1" else Shown.NUMBER


def amount(name: str, value: float, unit: str, uncertainty: float | None = None, dof: float | None = None) -> Amount:
    """The value of a result, read as results of its name are; with few degrees of freedom ± is wider than twice u."""
    coverage = coverage_factor(math.inf if dof is None else dof)
    return Amount(value, unit, uncertainty, shown_of(name, unit), coverage)


def figure_cell(figure: Figure, *, role: Role = Role.PLAIN, note: str = "", missing: str = MISSING) -> Cell:
    """A figure as a cell; a dash where it is absent."""
    if figure.value is None:
        return Cell(missing, note=note)
    found = amount(figure.name, figure.value, figure.unit, figure.uncertainty, figure.dof)
    return Cell(quantity=found, role=role, note=note, runs=figure.run_ids, result=figure.name)


def stated(value: float | None, unit: str, *, after: str = "") -> Cell:
    """A value as marked or set: exact."""
    if value is None:
        return Cell()
    return Cell(after, Amount(value, unit, 0.0, Shown.DURATION if unit in ("s", "min", "h") else Shown.NUMBER))


def verdict_amount(verdict: Verdict, quantity: str) -> Amount | None:
    """What a verdict's claim about a quantity was measured as."""
    if verdict.measured is None:
        return None
    return amount(quantity, verdict.measured, verdict.unit, verdict.uncertainty, verdict.dof)


def runs_cell(run_ids: Sequence[int]) -> Cell:
    """Run numbers."""
    return Cell(runs=tuple(run_ids))


def runs_words(run_ids: Iterable[int]) -> str:
    """`run 47`, `runs 32, 35`; empty where there are none."""
    found = list(run_ids)
    return f"run{'s' if len(found) > 1 else ''} {', '.join(map(str, found))}" if found else ""


def repeats_words(figure: Figure) -> str:
    """`mean of 3 tests, spread 0.12`; empty for a single test."""
    if figure.count < 2:
        return ""
    if figure.spread is None:
        return f"mean of {figure.count} tests"
    factor, unit = shown_in(figure.unit, shown_of(figure.name, figure.unit))
    spread = significant(figure.spread * factor, 2, most_decimals=9)
    return f"mean of {figure.count} tests, spread {spread} {unit}".rstrip()


def mode_words(mode: str) -> str:
    """A mode as short as a column's head has it: `20V`."""
    return mode.removeprefix("fixed ").replace(" V", "V")


def place_words(port: str, mode: str) -> str:
    """Port and mode, or the device as a whole: `C1 20V`."""
    return f"{port} {mode_words(mode)}".strip() or "device"
