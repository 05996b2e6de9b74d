"""What a profile states, held against the numbers as a guess is: units a thousandfold off, volts and amps swapped.

Knows columns and their numbers. Raises questions; changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from importers.decide.asking import largest_of, swapped, unlikely_unit
from importers.decide.channels import COMMON_UNITS
from importers.decide.columns import Column
from importers.decide.grouping import with_label
from importers.decide.physics import counter_fit
from importers.decide.plan import Question
from importers.vocabulary.words import Unit, Vocabulary

__all__ = ["doubt_header", "doubt_profile", "turn_swapped"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Usual:
    """What a port's reading usually comes to."""

    least: float
    """Below this, the largest reading of a log is doubted where another unit brings it into the range."""
    most: float
    why: str


USUAL: Mapping[str, Usual] = {
    "voltage": Usual(2.5, 60.0, "USB ports and cells hold 2.5 V to 51 V"),
    "current": Usual(0.02, 6.5, "a load on a USB port draws 20 mA to 5 A"),
    "power": Usual(0.1, 300.0, "a load on a USB port takes 0.1 W to 240 W"),
}
"""Largest readings of a log that need no second look (limits chosen by us; USB Power Delivery ends at 48 V and 5 A)."""
_NEXT_TO_NOTHING = 0.1
"""A log's largest voltage [V] below which the header's unit is doubted (chosen by us)."""
_NOMINAL = (5.0, 9.0, 12.0, 15.0, 20.0, 28.0, 36.0, 48.0)
"""Fixed voltages of USB Power Delivery 3.1 [V]."""
_SWAPPED = 2.0
"""Evidence for a swap [weights added] at which it is asked about."""


def doubt_profile(
    columns: list[Column], seconds: Array, answers: Mapping[str, str], words: Vocabulary
) -> list[Question]:
    """Questions about what a profile states and numbers speak against."""
    asked = []
    for column in columns:
        unit, quantity = column.label.unit, column.label.quantity
        is_given = any(f"{kind}.{column.index + 1}" in answers for kind in ("unit", "column"))
        if (
            unit is None
            or quantity is None
            or quantity not in USUAL
            or is_given
            or column.label.role
            or column.label.mains
        ):
            continue
        better = _better_unit(column, unit, quantity, words)
        if better is not None:
            asked.append(unlikely_unit(column, unit, better, USUAL[quantity].why))
    pair = _pair(columns)
    if pair is not None and not asked:
        volts, amps = pair
        if not any(f"column.{c.index + 1}" in answers for c in pair):
            weight = _swap_weight(volts, amps, columns, seconds)
            if weight >= _SWAPPED:
                asked.append(swapped(volts, amps))
    return asked[:1]


def doubt_header(column: Column, unit: Unit, key: str, words: Vocabulary) -> Unit | None:
    """The unit in which a port's voltage would be usual, where the header's makes it next to nothing; else None."""
    most = largest_of(column)
    if key != "voltage" or column.label.terms == ("profile",) or not 0 < most * unit.factor < _NEXT_TO_NOTHING:
        return None
    return _better_unit(column, unit, key, words)


def _better_unit(column: Column, unit: Unit, quantity: str, words: Vocabulary) -> Unit | None:
    usual, most = USUAL[quantity], largest_of(column)
    if most == 0.0 or usual.least <= most * unit.factor <= usual.most:
        return None
    others = [words.units[u] for u in COMMON_UNITS[quantity]]
    return next((u for u in others if usual.least <= most * u.factor <= usual.most and u != unit), None)


def _pair(columns: list[Column]) -> tuple[Column, Column] | None:
    """The one voltage and the one current of a table; None where there are more."""
    found = []
    for quantity in ("voltage", "current"):
        mine = [c for c in columns if c.label.quantity == quantity and c.label.role is None and c.label.mains is None]
        if len(mine) != 1 or not len(mine[0].finite):
            return None
        found.append(mine[0])
    return found[0], found[1]


def _swap_weight(volts: Column, amps: Column, columns: list[Column], seconds: Array) -> float:
    """Add up what speaks for volts and amps being swapped, less what speaks against it."""
    v = np.abs(volts.values) * (volts.label.unit.factor if volts.label.unit else 1.0)
    i = np.abs(amps.values) * (amps.label.unit.factor if amps.label.unit else 1.0)
    good = np.isfinite(v) & np.isfinite(i)
    v, i = v[good], i[good]
    if len(v) < 4:
        return 0.0
    weight = 0.0
    weight += 1.5 * float(((v < 0.05) & (i > 2.5)).mean() > 0.005)  # no volts, yet a current flows
    weight -= 1.5 * float(((i < 0.02) & (v > 2.5)).mean() > 0.005)
    weight += 1.0 * (_is_held(i) and not _is_held(v)) - 1.0 * (_is_held(v) and not _is_held(i))
    weight += 0.7 * (_is_nominal(i) and not _is_nominal(v)) - 0.7 * (_is_nominal(v) and not _is_nominal(i))
    weight += 1.5 * (float(np.median(v)) < 2.5) + 1.0 * (float(i.max()) > 6.5)
    charge = next((c for c in columns if c.label.quantity == "charge"), None)
    if charge is not None and len(charge.values) == len(volts.values) == len(seconds):
        by_amps = counter_fit(seconds, np.abs(amps.values), charge.values)
        by_volts = counter_fit(seconds, np.abs(volts.values), charge.values)
        if by_amps is not None and by_volts is not None:
            weight += 2.0 * (by_volts.misfit < 0.5 * by_amps.misfit) - 2.0 * (by_amps.misfit < 0.5 * by_volts.misfit)
    return weight


def _is_held(values: Array) -> bool:
    """Tell readings of a regulated port: they stay within a tenth of their median."""
    middle = float(np.median(values))
    return middle > 0 and float(np.quantile(np.abs(values - middle), 0.95)) < 0.1 * middle


def _is_nominal(values: Array) -> bool:
    middle = float(np.median(values))
    return any(abs(middle / level - 1.0) < 0.06 for level in _NOMINAL)


def turn_swapped(columns: list[Column], answers: Mapping[str, str]) -> list[Column]:
    """Where the voltage of a profile is answered to be the current, its current is the voltage."""
    pair = [c for c in columns if c.label.quantity == "current" and c.label.role is None]
    given = [c for c in pair if answers.get(f"column.{c.index + 1}") == "current_a"]
    rest = [c for c in pair if c not in given and f"column.{c.index + 1}" not in answers]
    if len(given) != 1 or len(rest) != 1 or any(c.label.quantity == "voltage" and not c.label.role for c in columns):
        return columns
    why = "the voltage, for the other column is the current, as answered"
    turned = {
        rest[0].index: with_label(rest[0], quantity="voltage", unit=None, reason=why),
        given[0].index: with_label(given[0], unit=given[0].label.unit or rest[0].label.unit),
    }
    return [turned.get(c.index, c) for c in columns]
