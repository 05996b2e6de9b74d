"""Is the attached catalogue the one that this program makes? Held against our own texts before anything of it runs.

A view, a trigger or a generated column in a file from elsewhere would run as soon as a table of that name is read or
written, and a check of results would then read what the trigger left. So every object is compared by its definition.
Knows the engine's lists of what a database holds; no run.
"""

from __future__ import annotations

import re
from functools import lru_cache
from importlib import resources
from pathlib import Path

import duckdb

from store.errors import ForeignCatalogue

__all__ = ["check_objects", "expected_tables", "foreign_objects", "scripts"]

_NAME = "catalogue"
_LISTS = {
    "view": "SELECT view_name FROM duckdb_views() WHERE database_name = 'catalogue' AND NOT internal",
    "trigger": "SELECT trigger_name || ' on ' || table_name FROM duckdb_triggers() WHERE database_name = 'catalogue'",
    "sequence": "SELECT sequence_name FROM duckdb_sequences() WHERE database_name = 'catalogue'",
    "index": "SELECT index_name FROM duckdb_indexes() WHERE database_name = 'catalogue'",
    "schema": "SELECT schema_name FROM duckdb_schemas() WHERE database_name = 'catalogue' AND NOT internal "
    "AND schema_name <> 'main'",
}
_SLOW_LISTS = {
    "macro": "SELECT function_name FROM duckdb_functions() WHERE database_name = 'catalogue' AND NOT internal",
    "type": "SELECT type_name FROM duckdb_types() WHERE database_name = 'catalogue' AND NOT internal",
}
"""Never resolved by our own statements, and 20 ms each to list: looked at when a library is opened or verified."""
_TABLES = "SELECT schema_name, table_name, sql FROM duckdb_tables() WHERE database_name = 'catalogue'"


def scripts() -> dict[int, str]:
    """SQL of each schema version, by number."""
    folder = resources.files("store.catalogue.migrations")
    entries = [entry for entry in folder.iterdir() if entry.name.endswith(".sql")]
    texts = {int(entry.name.split("_", 1)[0]): entry.read_text(encoding="utf-8") for entry in entries}
    return dict(sorted(texts.items()))


@lru_cache(maxsize=8)
def expected_tables(version: int) -> dict[str, str]:
    """The definition of every table of a schema version, as the engine prints it."""
    engine = duckdb.connect(":memory:")
    try:
        engine.execute(f"ATTACH ':memory:' AS {_NAME}")
        for number, text in scripts().items():
            if number <= version:
                engine.execute(re.sub(r"--.*", "", text))
        return {str(name): str(sql) for _, name, sql in engine.execute(_TABLES).fetchall()}
    finally:
        engine.close()


def foreign_objects(cursor: duckdb.DuckDBPyConnection, *, slow: bool = False) -> list[str]:
    """What the attached catalogue holds beside or instead of our own tables: `view meter`, `table run: ...`.

    Args:
        cursor: Any cursor; the catalogue is attached as `catalogue`, and nothing of it is read before it is known.
        slow: Also macros and types, which no statement of ours resolves.
    """
    found: list[str] = []
    for kind, sql in (_LISTS | _SLOW_LISTS if slow else _LISTS).items():
        found += sorted({f"{kind} {name}" for (name,) in cursor.execute(sql).fetchall()})
    if found:
        return found
    tables = {str(name): (str(schema), str(sql)) for schema, name, sql in cursor.execute(_TABLES).fetchall()}
    if not tables:
        return []  # new and empty
    known = scripts()
    history = expected_tables(min(known)).get("schema_history", "")
    if tables.get("schema_history", ("", ""))[1] != history:
        return ["table schema_history, which is missing or of another shape"]
    version = int(cursor.execute(f"SELECT coalesce(max(version), 0) FROM {_NAME}.schema_history").fetchall()[0][0])
    if version not in known:
        return []  # of a newer program: refused as such, and nothing but its version is read
    expected = expected_tables(version)
    found += [f"table {name}" for name in sorted(set(tables) - set(expected))]
    found += [f"table {name}, which is missing" for name in sorted(set(expected) - set(tables))]
    for name in sorted(set(tables) & set(expected)):
        schema, sql = tables[name]
        if sql != expected[name] or schema != "main":
            found.append(f"table {name}, whose columns are not ours")
    return found


def check_objects(cursor: duckdb.DuckDBPyConnection, path: Path, *, slow: bool = False) -> None:
    """Refuse a catalogue that holds anything but our own tables.

    Raises:
        ForeignCatalogue: It does; the object is named.
    """
    found = foreign_objects(cursor, slow=slow)
    if found:
        raise ForeignCatalogue.holding(path, found)
