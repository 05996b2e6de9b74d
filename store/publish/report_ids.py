"""The id of a report: the same for the same devices of the same library. Knows the catalogue's own id only."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import TYPE_CHECKING

import duckdb

from store.catalogue.connection import rows

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["library_uid", "own_id", "report_id"]


def report_id(library_uid: str, devices: Sequence[str], lang: str) -> str:
    """The report's own id: the same for the same devices of the same library, whatever its version."""
    digest = hashlib.sha256("\x1f".join([library_uid, lang, *devices]).encode()).hexdigest()
    return f"R-{digest[:10]}"


def library_uid(cursor: duckdb.DuckDBPyConnection) -> str:
    """What tells this library from every other."""
    found = rows(cursor, "SELECT value FROM catalogue.meta WHERE key = 'library_uid'")
    return str(found[0][0]) if found else ""


def own_id(library: Store, devices: Sequence[str], lang: str = "en") -> str:
    """The id of a library's report on some devices, issued or not."""
    with library.catalogue.reader() as cursor:
        return report_id(library_uid(cursor), tuple(dict.fromkeys(devices)), lang)
