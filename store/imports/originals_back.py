"""An export that is imported a second time puts its kept copy back, where that is missing or damaged.

Knows files and the table `original`; reads no export.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from store.catalogue.connection import rows
from store.errors import StoreError
from store.files import durable
from store.files.originals import OriginalCopy, original_hash

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["put_back", "repoint"]


def put_back(library: Store, path: Path, sha256: str) -> bool:
    """Keep an export's bytes again where the copy that was kept is not what was written.

    Args:
        library: The library.
        path: The export, whose bytes were imported before.
        sha256: Hash of its bytes.

    Returns:
        Whether it had to be put back.

    Raises:
        OSError: The disk refused.
        StoreError: The library can't be written.
    """
    sql = "SELECT stored_as, stored_sha256 FROM catalogue.original WHERE sha256 = ?"
    with library.catalogue.reader() as cursor:
        found = rows(cursor, sql, [sha256])
    if not found or found[0][0] is None or _is_whole(library, str(found[0][0]), str(found[0][1])):
        return False
    name = library.layout.original_file(sha256, path.name)
    copy = OriginalCopy(path, durable.new_temporary(library.layout.tmp, ".zst"))
    try:
        packed = copy.finish()
        if packed.sha256 != sha256:
            return False  # it changed meanwhile
        with library.catalogue.writer() as cursor:
            durable.place(packed.path, library.layout.absolute(name))
            durable.fsync_folder(library.layout.originals)
            cursor.execute(
                "UPDATE catalogue.original SET stored_as = ?, stored_sha256 = ?, stored_bytes = ? WHERE sha256 = ?",
                [name, packed.packed_sha256, packed.packed_size, sha256],
            )
    finally:
        copy.abandon()
    return True


def repoint(library: Store, stored_as: str) -> bool:
    """Name an original by its own name again where the catalogue names another place for it.

    Returns:
        Whether it lies there, whole.
    """
    with library.catalogue.reader() as cursor:
        found = rows(cursor, "SELECT sha256, file_name FROM catalogue.original WHERE stored_as = ?", [stored_as])
    mended = False
    for sha256, file_name in found:
        name = library.layout.original_file(str(sha256), str(file_name))
        try:
            path = library.layout.absolute(name)
            if name == stored_as or original_hash(path) != sha256:
                continue
            stored_sha256, size = durable.hash_file(path), path.stat().st_size
        except (OSError, StoreError):
            continue
        with library.catalogue.writer() as cursor:
            cursor.execute(
                "UPDATE catalogue.original SET stored_as = ?, stored_sha256 = ?, stored_bytes = ? WHERE sha256 = ?",
                [name, stored_sha256, size, sha256],
            )
        mended = True
    return mended


def _is_whole(library: Store, stored_as: str, stored_sha256: str) -> bool:
    try:
        return durable.hash_file(library.layout.absolute(stored_as)) == stored_sha256
    except (OSError, StoreError):
        return False
