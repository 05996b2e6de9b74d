"""Why results of a method differ from those of its first version, in words. Knows its table only."""

from __future__ import annotations

from functools import cache

from store.data.tables import load_table

__all__ = ["method_changes"]


@cache
def method_changes() -> dict[str, str]:
    """A sentence by method, for each whose version is above 1: `store/data/method_changes.toml`."""
    return {str(name): str(text) for name, text in load_table("method_changes.toml").items()}
