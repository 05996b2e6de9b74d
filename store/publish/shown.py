"""How quantities are named and in which unit they are read on a page. Knows words and numbers only."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from store.devices.records import Figure
from store.publish.content import Cell, Column, number
from store.words.quantities import label_of

__all__ = ["cell_of", "column_of", "label", "run_list", "runs_cell", "scale_of"]

_LABELS = {
    "price_per_usable_wh": "price per usable energy",
    "rated_wh_per_kg": "rated energy per mass",
    "rated_wh_per_l": "rated energy per volume",
    "w_per_kg": "sustained power per mass",
    "voltage_error_worst_percent": "worst voltage error",
    "window_margin_worst_v": "least margin to the window",
    "over_rating_s": "time over its rating",
    "stayed_on_a": "stayed on at",
    "switched_off_a": "switched off at",
    "switch_off_after_s": "switched off after",
    "lowest_voltage_v": "lowest voltage",
    "pauses": "pauses",
    "dropouts": "dropouts",
    "loss_w": "loss in the cable",
}


def label(name: str) -> str:
    """What a page calls a quantity."""
    return _LABELS.get(name) or label_of(name)


def scale_of(unit: str, values: Iterable[float | None]) -> tuple[str, float]:
    """The unit in which values are read, and what they are multiplied by: long times in min or h, shares in %."""
    if unit == "s":
        largest = max((abs(value) for value in values if value is not None), default=0.0)
        if largest >= 36000:
            return "h", 1 / 3600
        return ("min", 1 / 60) if largest >= 300 else ("s", 1.0)
    return unit, 1.0


_SHARES = ("yield", "round_trip", "wall_to_load", "wasted_share", "usable_share")


def column_of(name: str, figures: Sequence[Figure]) -> Column:
    """A table's column for one quantity of several figures."""
    unit = next((figure.unit for figure in figures if figure.value is not None), figures[0].unit if figures else "1")
    if unit == "1" and (name in _SHARES or name.startswith("efficiency")):
        return Column(label(name), "%", 100.0, is_number=True)
    shown, scale = scale_of(unit, (figure.value for figure in figures))
    return Column(label(name), "" if shown == "1" else shown, scale, is_number=True)


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
