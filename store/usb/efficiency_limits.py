"""Limits of adapters by edition and date: least efficiency, most power without load. Knows its table and numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any

from store.data.tables import load_table

__all__ = ["MEASURES", "EfficiencyStandard", "limit_of", "standards", "supply_class"]

MEASURES: tuple[str, ...] = ("average", "10 %", "no load")

LOW_VOLTAGE_V = 6.0
LOW_VOLTAGE_A = 0.55


@dataclass(frozen=True, slots=True)
class EfficiencyStandard:
    """One edition of one rule."""

    name: str
    edition: str
    valid_from: date
    valid_to: date | None
    where: str
    """Where and how it is measured."""
    mark: str
    """How well its numbers are known."""
    rows: tuple[dict[str, Any], ...]
    low_end_full_a: float | None = None
    """What counts as full load at the lowest voltage of an adapter with several [A]; None where the rating does."""
    low_end_mark: str = ""
    """How well that is known."""

    def holds_on(self, day: date) -> bool:
        """Whether it applies to what is made on a day."""
        return self.valid_from <= day and (self.valid_to is None or day <= self.valid_to)


@cache
def standards() -> tuple[EfficiencyStandard, ...]:
    """Every edition of the table that ships, `store/data/efficiency_limits.toml`."""
    return tuple(
        EfficiencyStandard(
            row["name"],
            row["edition"],
            row["valid_from"],
            row.get("valid_to"),
            row["where"],
            row["mark"],
            tuple(row["rows"]),
            row.get("low_end_full_a"),
            row.get("low_end_mark", ""),
        )
        for row in load_table("efficiency_limits.toml")["standard"]
    )


def supply_class(voltage_v: float, current_a: float) -> str:
    """`low-voltage`: output under 6 V and at least 550 mA; otherwise `basic`."""
    return "low-voltage" if voltage_v < LOW_VOLTAGE_V and current_a >= LOW_VOLTAGE_A else "basic"


def limit_of(standard: EfficiencyStandard, measure: str, kind: str, output_w: float) -> float | None:
    """The limit for a nameplate output power.

    Args:
        standard: The edition.
        measure: `average` or `10 %` (least efficiency, a fraction), `no load` (most power, W).
        kind: `basic` or `low-voltage`.
        output_w: Nameplate output power [W].

    Returns:
        The limit, or None where the edition sets none.

    Formula: ln x ln(P) + linear x P + constant, of the first range whose top is not below P.
    """
    for row in _rows(standard.rows, measure, kind):
        if output_w <= row.get("up_to_w", math.inf):
            logarithm = float(row.get("ln", 0.0)) * math.log(output_w) if "ln" in row else 0.0
            return logarithm + float(row.get("linear", 0.0)) * output_w + float(row.get("constant", 0.0))
    return None


def _rows(rows: Sequence[dict[str, Any]], measure: str, kind: str) -> list[dict[str, Any]]:
    return [row for row in rows if row["measure"] == measure and row["class"] == kind]
