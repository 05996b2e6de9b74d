"""How quantities are named and in which unit they are read on a page. Knows words and numbers only."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from store.devices.records import Figure
from store.methods.specs import is_share, label_of
from store.publish.content import Cell, Column, number

__all__ = ["cell_of", "column_of", "run_list", "runs_cell", "scale_of"]


def scale_of(unit: str, values: Iterable[float | None]) -> tuple[str, float]:
    """The unit in which values are read, and what they are multiplied by: long times in min or h, shares in %."""
    if unit == "s":
        largest = max((abs(value) for value in values if value is not None), default=0.0)
        if largest >= 36000:
            return "h", 1 / 3600
        return ("min", 1 / 60) if largest >= 300 else ("s", 1.0)
    return unit, 1.0


def column_of(name: str, figures: Sequence[Figure]) -> Column:
    """A table's column for one quantity of several figures."""
    unit = next((figure.unit for figure in figures if figure.value is not None), figures[0].unit if figures else "1")
    if unit == "1" and is_share(name):
        return Column(label_of(name), "%", 100.0, is_number=True)
    shown, scale = scale_of(unit, (figure.value for figure in figures))
    return Column(label_of(name), "" if shown == "1" else shown, scale, is_number=True)


def cell_of(figure: Figure) -> Cell:
    """A figure as a table's cell."""
    if figure.value is None:
        return Cell(text="", note="")
    note = f"mean of {figure.count}" if figure.count > 1 else ""
    return number(figure.value, figure.uncertainty, note=note)


def run_list(run_ids: Iterable[int]) -> str:
    """`32, 35, 38`."""
    return ", ".join(map(str, run_ids))


def runs_cell(run_ids: Sequence[int]) -> Cell:
    """Run numbers that stay together in threes."""
    groups = [run_ids[start : start + 3] for start in range(0, len(run_ids), 3)]
    return Cell(", ".join(",\u00a0".join(map(str, group)) for group in groups))
