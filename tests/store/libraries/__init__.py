"""A small library of each schema that there has been, made by the program of its time; never made again."""

from __future__ import annotations

import lzma
import tempfile
from pathlib import Path

from store.care import backup

__all__ = ["FOLDER", "unpack"]

FOLDER = Path(__file__).parent


def unpack(schema: int, target: Path) -> Path:
    """Unpack the library of one schema into a new folder, as it was: nothing is migrated."""
    packed = (FOLDER / f"schema-{schema}.tar.xz").read_bytes()
    with tempfile.TemporaryDirectory() as folder:
        archive = Path(folder) / "library.tar"
        archive.write_bytes(lzma.decompress(packed))
        backup.restore(archive, target)
    return target
