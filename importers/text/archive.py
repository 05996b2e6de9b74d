"""A ZIP archive of exports: its members that may be some, bounded, and one of them as a stream. Knows no table."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import BinaryIO, Self, cast

from importers.problems import ImportRefused

__all__ = ["MOST_MEMBERS", "ZIP", "members", "open_member"]

ZIP = b"PK\x03\x04"
"""First bytes of a ZIP archive."""
MOST_MEMBERS = 50
"""Members of an archive that are looked at (chosen by us)."""
_LARGEST = 2 << 30
"""Most that a member may unpack to [bytes]; it is read as a stream."""
_ENDINGS = (".csv", ".tsv", ".tab", ".txt", ".log", ".dat", ".asc", ".json", ".jsonl", ".html", ".htm")


def members(path: Path) -> list[str]:
    """Names of the members whose ending is a text export's.

    Raises:
        ImportRefused: the archive is damaged or encrypted, or a member unpacks to too much.
    """
    try:
        with zipfile.ZipFile(path) as file:
            found = [i for i in file.infolist() if _may_be_export(i)]
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as error:
        raise ImportRefused.because(
            "unreadable", f"{path.name} is a damaged ZIP archive: {error}. Copy it again.", file=path.name
        ) from error
    for info in found:
        if info.flag_bits & 1:
            raise ImportRefused.because(
                "binary", f"{path.name} is encrypted. Unpack it with its password first.", file=path.name
            )
        if info.file_size > _LARGEST:
            raise ImportRefused.because(
                "too-large",
                f"{info.filename} in {path.name} unpacks to more than 2 GB. Unpack it first.",
                file=path.name,
            )
    return [i.filename for i in found]


def _may_be_export(info: zipfile.ZipInfo) -> bool:
    parts = Path(info.filename).parts
    hidden = any(part.startswith((".", "__MACOSX")) for part in parts)
    return not info.is_dir() and not hidden and info.filename.lower().endswith(_ENDINGS)


def open_member(path: Path, name: str) -> BinaryIO:
    """Open a member as a stream of its bytes; closing it closes the archive."""
    file = zipfile.ZipFile(path)
    try:
        return cast(BinaryIO, _Member(file, file.open(name)))
    except BaseException:
        file.close()
        raise


class _Member:
    """A member's bytes, with the archive that it is read from."""

    def __init__(self, archive: zipfile.ZipFile, stream: object) -> None:
        self._archive, self._stream = archive, cast(BinaryIO, stream)

    def read(self, size: int = -1) -> bytes:
        """Read on."""
        return self._stream.read(size)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._stream.close()
        self._archive.close()
