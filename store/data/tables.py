"""The shipped tables, read once. Knows the data files beside it."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import Any

from store.results.air_travel import AirTable, read_air_table

__all__ = ["air_table", "table_text"]


def table_text(name: str) -> str:
    """The text of a shipped table, `course.toml`."""
    return resources.files("store.data").joinpath(name).read_text(encoding="utf-8")


def _load(name: str) -> dict[str, Any]:
    return tomllib.loads(table_text(name))


@cache
def air_table() -> AirTable:
    """Air travel classes."""
    return read_air_table(_load("air_travel.toml"))
