"""What only the catalogue holds, shared as one more table, so that a library can be taken from the tables alone.

Knows the journal's form of rows; no target.
"""

from __future__ import annotations

from collections import Counter

import duckdb
import pyarrow as pa

from store.catalogue.journal import Kept, all_kept, as_row
from store.sharing.target import ShareRefused

__all__ = ["KEPT", "kept_from", "kept_table"]

KEPT = "kept"
_RUN_FACTS = "run facts"
_LEFT_OUT = ("report",)
"""Reports issued: pages of the library that issued them."""
_SCHEMA = pa.schema([("about", pa.string()), ("uid", pa.string()), ("told", pa.string())])


def kept_table(cursor: duckdb.DuckDBPyConnection) -> pa.Table:
    """Rows `about` (a table of the catalogue, or facts of a run), `uid` of that run, `told` as JSON."""
    kept = all_kept(cursor)
    made: list[tuple[str, str | None, str]] = [
        (table, None, text)
        for table, texts in kept.tables.items()
        if table not in _LEFT_OUT
        for text in sorted(texts.elements())
    ]
    made += [(_RUN_FACTS, uid, text) for uid, text in sorted(kept.run_facts.items())]
    columns = zip(*made, strict=True) if made else ((), (), ())
    return pa.table([pa.array(column, pa.string()) for column in columns], schema=_SCHEMA)


def kept_from(table: pa.Table) -> Kept:
    """The inverse of `kept_table`.

    Raises:
        ShareRefused: It is no such table.
    """
    kept = Kept()
    try:
        for row in table.select(_SCHEMA.names).to_pylist():
            about, text = str(row["about"]), str(row["told"])
            as_row(text)  # raises where it is no row
            if about == _RUN_FACTS:
                kept.run_facts[str(row["uid"])] = text
            else:
                kept.tables.setdefault(about, Counter())[text] += 1
    except (KeyError, ValueError, TypeError, AttributeError, RecursionError) as error:
        raise ShareRefused(f"The table {KEPT} is none of a shared library: {error}.") from error
    return kept
