"""Changes of facts, kept for good: old value, new value, who, when, why; each row chained to the one before.

Knows the catalogue's table and hashes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import duckdb

from store.catalogue.connection import rows
from store.catalogue.run_records import append_rows
from store.version import __version__
from store.words.clock import now_utc, to_stored

__all__ = ["Change", "amend", "append_told", "broken_link"]


@dataclass(frozen=True, slots=True)
class Change:
    """One field of one row, before and after, as text; None where there was, or is, nothing."""

    table_name: str
    key: str
    field: str
    old_value: str | None
    new_value: str | None


_NAMES = (
    "seq", "changed_at", "who", "program_version", "table_name", "key", "field", "old_value", "new_value", "reason",
)  # fmt: skip


def _link(before: str, row: Sequence[object]) -> str:
    text = json.dumps([before, *[None if value is None else str(value) for value in row]], ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def amend(cursor: duckdb.DuckDBPyConnection, changes: Sequence[Change], who: str, reason: str) -> None:
    """Append changes; a reader who kept the last chain value can tell whether earlier rows were altered since."""
    if not changes:
        return
    told = {"changed_at": to_stored(now_utc()), "who": who, "program_version": __version__}
    append_told(cursor, [{**told, **_fields(change), "reason": reason} for change in changes])


def _fields(change: Change) -> dict[str, object]:
    return {name: getattr(change, name) for name in ("table_name", "key", "field", "old_value", "new_value")}


def append_told(cursor: duckdb.DuckDBPyConnection, told: Sequence[Mapping[str, object]]) -> None:
    """Append changes that another library recorded, with their own moments and names, to this one's chain.

    Args:
        cursor: Inside a writing transaction.
        told: Columns of the table, but for `seq` and `chain`.
    """
    last = rows(cursor, "SELECT seq, chain FROM catalogue.amendment ORDER BY seq DESC LIMIT 1")
    seq, chain = (int(last[0][0]), str(last[0][1])) if last else (0, "")
    added = []
    for values in told:
        seq += 1
        chain = _link(chain, [seq, *(values[name] for name in _NAMES[1:])])
        added.append({"seq": seq, **values, "chain": chain})
    append_rows(cursor, "amendment", added)


def broken_link(cursor: duckdb.DuckDBPyConnection) -> int | None:
    """Number of the first amendment whose chain doesn't fit, or None where all do."""
    before = ""
    sql = (
        "SELECT seq, changed_at, who, program_version, table_name, key, field, old_value, new_value, reason, chain "
        "FROM catalogue.amendment ORDER BY seq"
    )
    cursor.execute(sql)
    while found := cursor.fetchmany(10_000):
        for row in found:
            if _link(before, row[:-1]) != row[-1]:
                return int(row[0])
            before = str(row[-1])
    return None
