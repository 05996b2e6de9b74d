"""The exports as they came, shared as a table of their packed bytes, so that a run can be taken whole.

A file for each of a million exports would cost a bucket's fee and a round trip each; rows of a table go together.
Knows the catalogue's originals and the tables; decides nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa

from store.catalogue.connection import rows
from store.errors import TraceDamaged
from store.files import durable
from store.files.layout import Layout

if TYPE_CHECKING:
    from store.core import Store

__all__ = [
    "EXPORTS",
    "EXPORT_SCHEMA",
    "Export",
    "export_batches",
    "exports_of",
    "own_files_of",
    "place_of",
    "write_exports",
]

EXPORTS = "exports"
_OWN = re.compile(r"(?P<folder>profiles|queries)/(?P<name>[^/\\:\0\r\n]{1,200}\.(toml|sql))")
_PIECE = 8 << 20
"""Bytes of one row's content at most."""
_BATCH = 32 << 20
"""Bytes of the rows that are held at once."""
EXPORT_SCHEMA = pa.schema(
    [
        ("bench", pa.string()),
        ("sha256", pa.string()),
        ("stored_as", pa.string()),
        ("piece", pa.int32()),
        ("content", pa.binary()),
    ]
)

Export = tuple[str, str]
"""Name of the packed file in the library, and the hash of its bytes."""


def exports_of(library: Store) -> dict[str, Export]:
    """Originals of a library, its profiles and saved queries, by the hash of what they hold."""
    sql = "SELECT sha256, stored_as, stored_sha256 FROM catalogue.original WHERE stored_as IS NOT NULL"
    with library.catalogue.reader() as cursor:
        found = {str(sha): (str(name), str(stored)) for sha, name, stored in rows(cursor, sql)}
    return found | own_files_of(library)


def own_files_of(library: Store) -> dict[str, Export]:
    """Profiles and saved queries of a library, by their hash."""
    files = {path: durable.hash_file(path) for path in library.layout.own_files()}
    return {sha256: (path.relative_to(library.path).as_posix(), sha256) for path, sha256 in files.items()}


def place_of(layout: Layout, sha256: str, name: str) -> Path | None:
    """Where a shared file belongs in a library; None for a name that no library gives one."""
    if re.fullmatch(r"[0-9a-f]{64}", sha256) is None:
        return None
    if name.startswith(f"originals/{sha256}."):
        return layout.absolute(name)
    own = _OWN.fullmatch(name)
    return layout.root / own["folder"] / own["name"] if own else None


def export_batches(library: Store, bench: str, wanted: Mapping[str, Export]) -> Iterator[pa.RecordBatch]:
    """Packed originals in rows, some at a time.

    Raises:
        TraceDamaged: One is not what was stored.
    """
    held: list[tuple[str, str, str, int, bytes]] = []
    size = 0
    for sha256, (stored_as, stored_sha256) in sorted(wanted.items()):
        path = place_of(library.layout, sha256, stored_as) or library.layout.absolute(stored_as)
        if not path.is_file() or durable.hash_file(path) != stored_sha256:
            raise TraceDamaged(
                f"{stored_as} is not what was stored, and nothing of it was shared. Import the export's own file "
                "again: its copy is put back."
            )
        with path.open("rb") as file:
            number = 0
            while (content := file.read(_PIECE)) or number == 0:
                held.append((bench, sha256, stored_as, number, content))
                size, number = size + len(content), number + 1
                if size >= _BATCH:
                    yield _batch(held)
                    held, size = [], 0
    if held:
        yield _batch(held)


def _batch(held: Sequence[tuple[str, str, str, int, bytes]]) -> pa.RecordBatch:
    columns = zip(*held, strict=True)
    arrays = [pa.array(column, field.type) for column, field in zip(columns, EXPORT_SCHEMA, strict=True)]
    return pa.record_batch(arrays, schema=EXPORT_SCHEMA)


def write_exports(found: Iterator[pa.RecordBatch], path_of: Mapping[str, Path]) -> None:
    """Put exports that were shared back into files; pieces come in order.

    Args:
        found: Rows of the table, sorted by hash and piece.
        path_of: File for each hash; a row of another hash is passed over.
    """
    for batch in found:
        for row in batch.to_pylist():
            path = path_of.get(str(row["sha256"]))
            if path is not None:
                with path.open("ab" if row["piece"] else "wb") as file:
                    file.write(row["content"] or b"")
