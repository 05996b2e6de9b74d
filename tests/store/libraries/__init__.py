"""A small library of each schema that there has been, made by the program of its time; never made again."""

from __future__ import annotations

import lzma
import tempfile
from pathlib import Path

from store.care import backup

__all__ = ["FOLDER", "unpack", "unpack_named"]

FOLDER = Path(__file__).parent


def unpack(schema: int, target: Path) -> Path:
    """Unpack the library of one schema into a new folder, as it was: nothing is migrated."""
    return unpack_named(f"schema-{schema}", target)


def unpack_named(name: str, target: Path) -> Path:
    """Unpack a library by the name of its archive, such as `every-kind-schema-2`: a run of each kind, with gaps, stops,
    both directions, a correction and a constant of its own, made before flags were stored."""
    packed = (FOLDER / f"{name}.tar.xz").read_bytes()
    with tempfile.TemporaryDirectory() as folder:
        archive = Path(folder) / "library.tar"
        archive.write_bytes(lzma.decompress(packed))
        backup.restore(archive, target)
    return target
