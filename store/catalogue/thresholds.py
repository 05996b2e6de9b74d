"""Named constants of the detectors as one library has them. Knows the catalogue's settings; the defaults are code."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import duckdb

from store.catalogue.amendments import Change, amend
from store.catalogue.connection import rows
from store.catalogue.settings import read_settings, write_setting
from store.errors import NotFound, WrongFact
from store.methods.specs import resting_on
from store.signal.thresholds import THRESHOLDS

__all__ = ["ThresholdRow", "list_thresholds", "own_values", "save_thresholds", "with_values"]

GROUP = "threshold"


@dataclass(frozen=True, slots=True)
class ThresholdRow:
    """A constant as this library has it."""

    name: str
    value: float
    default: float
    unit: str
    reason: str
    """Why it is what it is: the reason for the default, or the one given when it was set."""
    decides: tuple[str, ...]
    """Results that rest on it; empty where all do."""

    @property
    def is_own(self) -> bool:
        """Whether this library has a value of its own."""
        return self.value != self.default


def own_values(cursor: duckdb.DuckDBPyConnection) -> dict[str, float]:
    """The values that this library sets otherwise, by name."""
    return {name: float(text) for name, text in read_settings(cursor, GROUP).items() if name in THRESHOLDS}


def list_thresholds(cursor: duckdb.DuckDBPyConnection) -> tuple[ThresholdRow, ...]:
    """Every constant, in the order of the stages that use them."""
    own = own_values(cursor)
    said = {
        str(key): str(reason)
        for key, reason in rows(
            cursor,
            "SELECT key, arg_max(reason, seq) FROM catalogue.amendment WHERE table_name = 'threshold' GROUP BY key",
        )
    }
    return tuple(
        ThresholdRow(
            item.name,
            own.get(item.name, item.value),
            item.value,
            item.unit,
            said.get(item.name, "") or item.reason if item.name in own else item.reason,
            () if item.is_everywhere else resting_on(item.name) or ("events",),
        )
        for item in THRESHOLDS.values()
    )


def save_thresholds(
    cursor: duckdb.DuckDBPyConnection, values: Mapping[str, float | None], who: str, reason: str
) -> tuple[str, ...]:
    """Store constants, each change an amendment.

    Returns:
        Names of those that changed.

    Raises:
        NotFound: No such constant; names the nearest.
        WrongFact: A value that it can't have, or no reason.
    """
    if not reason.strip():
        raise WrongFact("Give a reason: a constant of detection is changed only with one.")
    own = own_values(cursor)
    changes = []
    for name, wanted in _wanted(values).items():
        default = THRESHOLDS[name].value
        before = own.get(name, default)
        if wanted == before:
            continue
        write_setting(cursor, GROUP, name, None if wanted == default else repr(wanted))
        changes.append(Change("threshold", name, "value", repr(before), repr(wanted)))
    amend(cursor, changes, who, reason)
    return tuple(change.key for change in changes)


def with_values(own: Mapping[str, float], values: Mapping[str, float | None]) -> dict[str, float]:
    """A library's own values as they would be with some set otherwise.

    Raises:
        NotFound: No such constant; names the nearest.
        WrongFact: A value that it can't have.
    """
    merged = {**own, **_wanted(values)}
    return {name: value for name, value in merged.items() if value != THRESHOLDS[name].value}


def _wanted(values: Mapping[str, float | None]) -> dict[str, float]:
    """Values checked, the default where one is None."""
    wanted = {}
    for name, value in values.items():
        if name not in THRESHOLDS:
            raise NotFound.of("threshold", name, THRESHOLDS)
        wanted[name] = THRESHOLDS[name].value if value is None else _checked(name, value)
    return wanted


def _checked(name: str, value: float) -> float:
    item = THRESHOLDS[name]
    if not math.isfinite(value) or value <= 0.0:
        raise WrongFact(
            f"{name} can't be {value:g}: it is a number above zero, in {item.unit}; unless set {item.value:g}."
        )
    if item.is_share and value >= 1.0:
        raise WrongFact(f"{name} can't be {value:g}: it is a share, under 1; unless set {item.value:g}.")
    if item.unit == "%" and value >= 100.0:
        raise WrongFact(f"{name} can't be {value:g}: it is in percent, under 100; unless set {item.value:g}.")
    return value
