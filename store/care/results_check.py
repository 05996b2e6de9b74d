"""Stored results against what their samples give: a number that was changed in the catalogue is found.

Knows runs and their traces; changes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import duckdb

from store.catalogue.connection import rows
from store.catalogue.run_records import RunRecord, main_columns
from store.errors import TraceDamaged
from store.runs.recompute import load_records, replace_results
from store.runs.reducing import reduce_again

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["Altered", "altered_results", "refuse_altered"]

_PORTION = 64


@dataclass(frozen=True, slots=True)
class Altered:
    """A stored result that its samples do not give."""

    run_id: int
    name: str
    stored: float | str | None
    again: float | str | None

    def told(self) -> str:
        """In words."""
        return (
            f"Run {self.run_id}: {self.name} is stored as {_text(self.stored)}, its samples give {_text(self.again)}. "
            f"`joulebook recompute {self.run_id}` corrects it."
        )


def _text(value: float | str | None) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)[:60] if value is not None else "nothing"


def _differ(one: object, other: object) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return not math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-12)
    return one != other


def altered_results(library: Store, run_ids: Sequence[int]) -> list[Altered]:
    """Results of runs that the same version of the method gives otherwise from the same samples.

    Results of older methods are left out. A run that waits for its results to be recomputed, because a fact was
    changed, is told likewise: what is stored is not what holds today.

    Raises:
        TraceDamaged: A trace is not what was written.
    """
    found: list[Altered] = []
    wanted = list(run_ids)
    for start in range(0, len(wanted), _PORTION):
        with library.catalogue.reader() as cursor:
            records = load_records(cursor, wanted[start : start + _PORTION])
        fresh = reduce_again(library, records)
        with library.catalogue.reader() as cursor:
            changes = replace_results(cursor, fresh, dry_run=True)
            found += [
                Altered(change.run_id, change.name, change.old_value, change.new_value)
                for change in changes
                if change.old_version == change.new_version and _differ(change.old_value, change.new_value)
            ]
            moved = {change.run_id for change in changes}
            for record in fresh:
                if record.facts.run_id not in moved:
                    found += _altered_columns(cursor, record)
    return found


def _altered_columns(cursor: duckdb.DuckDBPyConnection, record: RunRecord) -> list[Altered]:
    """Main results that stand with the run itself, for the list."""
    columns = main_columns(record.reduction.results if record.reduction else ())
    run_id = record.facts.run_id
    stored: Any = rows(cursor, f"SELECT {', '.join(columns)} FROM catalogue.run WHERE run_id = ?", [run_id])[0]
    return [
        Altered(run_id, name, before, again)
        for (name, again), before in zip(columns.items(), stored, strict=True)
        if _differ(before, again)
    ]


def refuse_altered(library: Store, run_ids: Sequence[int]) -> None:
    """Hold the results that are about to be published against their samples.

    Raises:
        TraceDamaged: One of them was changed in the catalogue.
    """
    found = altered_results(library, run_ids)
    if found:
        more = f" And {len(found) - 1} more: `joulebook verify --results` lists them." if len(found) > 1 else ""
        raise TraceDamaged(f"{found[0].told()}{more} Nothing was written.")
