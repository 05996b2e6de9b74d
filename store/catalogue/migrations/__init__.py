"""The catalogue's schema, version by version: one SQL file each, applied in order and never changed later.

Knows the catalogue's file and these texts; nothing of runs.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from store.catalogue.connection import Catalogue, rows
from store.catalogue.migrations import flags
from store.catalogue.schema_check import scripts
from store.errors import DiskFault, LibraryTooNew
from store.files import durable
from store.files.layout import Layout
from store.version import __version__

__all__ = ["LATEST", "create_schema", "latest", "migrate", "schema_version", "scripts"]

LATEST = 4
"""The schema that this program writes."""


STEPS: Mapping[int, Callable[[duckdb.DuckDBPyConnection], None]] = {3: flags.derive}
"""What a version needs beyond its SQL, done after it in the same transaction; for catalogues that hold something."""


def schema_version(cursor: duckdb.DuckDBPyConnection) -> int:
    """Schema of the attached catalogue; 0 where it has none yet."""
    known = rows(
        cursor,
        "SELECT 1 FROM duckdb_tables() WHERE database_name = 'catalogue' AND table_name = 'schema_history'",
    )
    if not known:
        return 0
    return int(rows(cursor, "SELECT coalesce(max(version), 0) FROM catalogue.schema_history")[0][0])


def create_schema(cursor: duckdb.DuckDBPyConnection, found: int, texts: dict[int, str] | None = None) -> None:
    """Bring the attached catalogue from schema `found` to the latest, inside the caller's transaction.

    Args:
        cursor: Inside a writing transaction.
        found: The schema it has now; 0 for none.
        texts: SQL by version, those that ship where None.
    """
    for version, text in (texts or scripts()).items():
        if version > found:
            durable.step("migrate", Path(f"{version:04d}"))
            cursor.execute(re.sub(r"--.*", "", text))
            if texts is None and found and version in STEPS:
                STEPS[version](cursor)
            now = datetime.now(UTC).replace(tzinfo=None)
            cursor.execute("INSERT INTO catalogue.schema_history VALUES (?, ?, ?)", [version, now, __version__])


def latest(texts: dict[int, str] | None = None) -> int:
    """The newest version among the texts."""
    return max(texts) if texts else LATEST


def migrate(catalogue: Catalogue, layout: Layout, texts: dict[int, str] | None = None) -> Path | None:
    """Bring an older catalogue to the latest schema, keeping a copy of it as it was.

    Args:
        catalogue: The catalogue.
        layout: Where the copy goes, beside it.
        texts: SQL by version; those that ship where None (tests pass their own).

    Returns:
        The copy, or None where nothing was to be done.

    Raises:
        LibraryTooNew: Its schema is newer than this program knows.
        LibraryBusy: Another process holds it.
        DiskFault: The disk refused; the library is as it was.
    """
    newest = latest(texts)
    with catalogue.reader() as cursor:
        found = schema_version(cursor)
    if found > newest:
        raise LibraryTooNew.of(layout.root, found, newest)
    if found == newest:
        return None
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S")
    kept = layout.catalogue.with_name(f"catalogue-schema{found}-{stamp}.duckdb")
    try:
        catalogue.copy_to(kept, layout.tmp)
    except OSError as error:
        raise DiskFault.of(error, "Keeping a copy before the migration to") from error
    with catalogue.writer() as cursor:
        found = schema_version(cursor)  # another process may have been quicker
        create_schema(cursor, found, texts)
    return kept
