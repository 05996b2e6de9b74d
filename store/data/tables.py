"""The shipped tables, read once. Knows the data files beside it."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import Any

__all__ = ["load_table", "table_text"]


def table_text(name: str) -> str:
    """The text of a shipped table, `course.toml`."""
    return resources.files("store.data").joinpath(name).read_text(encoding="utf-8")


@cache
def load_table(name: str) -> dict[str, Any]:
    """The content of a shipped table."""
    return tomllib.loads(table_text(name))
