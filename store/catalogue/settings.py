"""A library's own settings, by group and name. Knows the catalogue's table of pairs and nothing of what they mean."""

from __future__ import annotations

import duckdb

from store.catalogue.connection import rows

__all__ = ["read_settings", "write_setting"]


def read_settings(cursor: duckdb.DuckDBPyConnection, group: str) -> dict[str, str]:
    """All settings of a group, by name."""
    begin = f"{group}:"
    found = rows(cursor, "SELECT key, value FROM catalogue.meta WHERE starts_with(key, ?) ORDER BY key", [begin])
    return {str(key).removeprefix(begin): str(value) for key, value in found}


def write_setting(cursor: duckdb.DuckDBPyConnection, group: str, name: str, value: str | None) -> None:
    """Set one, or take it away where the value is None."""
    key = f"{group}:{name}"
    cursor.execute("DELETE FROM catalogue.meta WHERE key = ?", [key])
    if value is not None:
        cursor.execute("INSERT INTO catalogue.meta VALUES (?, ?)", [key, value])
