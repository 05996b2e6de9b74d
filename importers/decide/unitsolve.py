"""Which unit each column without a sure one is in: every combination that the laws of physics allow.

Knows columns of one port, candidate units and `physics`. Raises no question itself: it returns what remains possible.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from importers.decide.channels import is_plausible
from importers.decide.physics import Fit, counter_fit, product_fit
from importers.vocabulary.words import Unit

__all__ = ["Law", "Solution", "laws_of", "solve_units"]

_LEAST_MICRO = 5e-6
"""Least current [A] that a column without a unit is taken for in microamps: below, no meter of this bench reads."""
_CLOSE = math.log(1.25)
"""Ratios within 25 % are the same unit: the closest pair of units, 1 mAh = 3.6 C, is five times further apart."""


@dataclass(frozen=True, slots=True)
class Law:
    """A law that some columns follow: product of their factors must be `ratio`."""

    name: str
    """`power`, `energy`, `charge`."""
    terms: tuple[tuple[str, int], ...]
    """Column key and exponent of its factor."""
    ratio: float
    """What the numbers say: product(factor ** exponent) x ratio = 1 where the units are right."""
    sentence: str

    def error(self, factors: Mapping[str, float]) -> float:
        """Natural logarithm of how far factors are from fulfilling the law."""
        total = math.log(abs(self.ratio))
        for key, power in self.terms:
            total += power * math.log(factors[key])
        return total

    def holds(self, factors: Mapping[str, float]) -> bool:
        """Tell whether factors fulfil the law."""
        return abs(self.error(factors)) < _CLOSE


@dataclass(frozen=True, slots=True)
class Solution:
    """What remains possible."""

    units: Mapping[str, tuple[Unit, ...]]
    """Per column key the units that occur in any possible combination."""
    broken: tuple[Law, ...]
    """Laws that no combination of stated units fulfils."""
    used: tuple[Law, ...]
    signs: Mapping[str, int]


def laws_of(
    values: Mapping[str, npt.NDArray[np.float64]], t: npt.NDArray[np.float64] | None, *, is_ac: bool
) -> tuple[list[Law], dict[str, int]]:
    """Find the laws that columns follow: keys voltage, current, power, energy, charge, power_factor, time.

    Returns:
        Laws that hold, and the sign of each counter's slope against its rate.
    """
    laws: list[Law] = []
    signs: dict[str, int] = {}
    v, i, p = values.get("voltage"), values.get("current"), values.get("power")
    pf = values.get("power_factor")
    if v is not None and i is not None and p is not None and (pf is not None or not is_ac):
        fit = product_fit(v, i * pf if is_ac and pf is not None else i, p)
        if fit is not None and fit.holds:
            laws.append(
                _law("power", fit, (("voltage", 1), ("current", 1), ("power", -1)), "power is voltage times current")
            )
    if t is None:
        return laws, signs
    for name, own in (("energy", p), ("charge", i)):
        rate = own
        counter = values.get(name)
        if counter is None:
            continue
        key = "power" if name == "energy" else "current"
        terms: tuple[tuple[str, int], ...] = ((key, 1), ("time", 1), (name, -1))
        if rate is None and name == "energy" and v is not None and i is not None and not is_ac:
            rate, terms = v * i, (("voltage", 1), ("current", 1), ("time", 1), (name, -1))
        if rate is None:
            continue
        fit = _best_fit(t, rate, counter)
        if fit is not None and fit.holds:
            signs[name] = 1 if fit.ratio > 0 else -1
            laws.append(_law(name, fit, terms, f"the {name} counter's slope is the {key}", per_hour=True))
    return laws, signs


def _best_fit(
    t: npt.NDArray[np.float64], rate: npt.NDArray[np.float64], counter: npt.NDArray[np.float64]
) -> Fit | None:
    """Fit with the rate's sign, or with its magnitude where the meter counts both ways up."""
    fit = counter_fit(t, rate, counter)
    if fit is not None and fit.holds:
        return fit
    other = counter_fit(t, np.abs(rate), counter)
    return other if other is not None and other.holds else fit


def _law(name: str, fit: Fit, terms: tuple[tuple[str, int], ...], sentence: str, *, per_hour: bool = False) -> Law:
    # file: column = r x law; SI: f_c x column = f_1 f_2 x law / (3600 for counters), so f_1 f_2 / (f_c r 3600) = 1
    ratio = 1.0 / abs(fit.ratio)
    return Law(name, terms, ratio / 3600.0 if per_hour else ratio, sentence)


def solve_units(
    candidates: Mapping[str, Sequence[Unit]],
    largest: Mapping[str, float],
    laws: Sequence[Law],
    floor: Mapping[str, float],
    ceiling: Mapping[str, float],
) -> Solution:
    """Enumerate combinations of candidate units and keep those that ranges and laws allow.

    Args:
        candidates: per column key the units that it may be in; one where it is stated.
        largest: per column key the largest magnitude in the file.
        laws: that the columns follow.
        floor: per column key the least magnitude in channel units that is believed where no unit stands.
        ceiling: likewise the largest.
    """
    keys = sorted(candidates)
    possible = {
        key: [u for u in candidates[key] if len(candidates[key]) == 1 or _in_range(key, u, largest, floor, ceiling)]
        or list(candidates[key])
        for key in keys
    }
    stated = {key: possible[key][0].factor for key in keys if len(candidates[key]) == 1}
    usable = [law for law in laws if all(key in candidates for key, _ in law.terms)]
    broken = [law for law in usable if all(k in stated for k, _ in law.terms) and not law.holds(stated)]
    usable = [law for law in usable if law not in broken]
    survivors = []
    open_keys = [key for key in keys if len(possible[key]) > 1]
    for combo in itertools.product(*(possible[key] for key in open_keys)):
        factors = {
            **{k: possible[k][0].factor for k in keys},
            **{k: u.factor for k, u in zip(open_keys, combo, strict=True)},
        }
        if all(law.holds(factors) for law in usable):
            survivors.append(combo)
    units: dict[str, tuple[Unit, ...]] = {key: tuple(possible[key]) for key in keys if key not in open_keys}
    if not survivors:
        units.update({key: tuple(possible[key]) for key in open_keys})
        return Solution(units, (*broken, *usable), (), {})
    for at, key in enumerate(open_keys):
        units[key] = tuple(dict.fromkeys(combo[at] for combo in survivors))
    return Solution(units, tuple(broken), tuple(usable), {})


def _in_range(
    key: str, unit: Unit, largest: Mapping[str, float], floor: Mapping[str, float], ceiling: Mapping[str, float]
) -> bool:
    if key not in largest or key == "time":
        return True
    size = largest[key] * unit.factor
    if unit.symbol == "µA" and size < _LEAST_MICRO:
        return False
    return is_plausible(unit.quantity, size) and floor.get(key, 0.0) <= size <= ceiling.get(key, size)
