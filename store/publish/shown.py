"""How lists of runs stand in SQL and sentences. Knows words only."""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["run_list"]


def run_list(run_ids: Iterable[int]) -> str:
    """`32, 35, 38`."""
    return ", ".join(map(str, run_ids))
