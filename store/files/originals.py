"""An export's bytes, kept as they came: packed to a temporary file while the export is read, and hashed on the way.

Knows bytes and files; no catalogue. Packing is a fifth of a large import's work and needs nothing of the rest, so it
has a thread of its own: for one half while the export is read, for the other while its results are computed, for that
leaves cores idle and reading does not.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa

from store.errors import TraceDamaged
from store.files import durable

__all__ = ["OriginalCopy", "PackedOriginal", "original_hash", "unpack_original"]

_CHUNK = 4 << 20
"""Bytes that become one frame: a frame takes two thirds of the time of a stream, and 0.05 % more room."""


@dataclass(frozen=True, slots=True)
class PackedOriginal:
    """A finished copy under its temporary name."""

    path: Path
    sha256: str
    """Of the export's own bytes."""
    size: int
    """Of the export [bytes]."""
    packed_sha256: str
    packed_size: int


class OriginalCopy:
    """Packs one file to a temporary name; `finish` gives it, `abandon` leaves nothing behind."""

    def __init__(self, source: Path, target: Path) -> None:
        self.source = source
        self.target = target
        self._stop = threading.Event()
        self._read = threading.Event()
        self._thread: threading.Thread | None = None
        self._packed: PackedOriginal | None = None
        self._error: BaseException | None = None

    def begin(self) -> None:
        """Start packing beside the reading; what is one frame is packed by `finish`, quicker than a thread starts."""
        if self._thread is None and self.source.stat().st_size > _CHUNK:
            self._thread = threading.Thread(target=self._pack_beside, name="original", daemon=True)
            self._thread.start()

    def go_on(self) -> None:
        """Tell that the export is read: its second half may be packed too."""
        self._read.set()

    def finish(self) -> PackedOriginal:
        """The finished copy, flushed to disk.

        Raises:
            OSError: The disk refused.
        """
        self.go_on()
        if self._thread is None:
            self._packed = self._pack()
        else:
            self._thread.join()
        if self._error is not None:
            raise self._error
        assert self._packed is not None  # noqa: S101 - packed, or an error
        return self._packed

    def abandon(self) -> None:
        """Stop, and remove what was written."""
        self._stop.set()
        self.go_on()
        if self._thread is not None:
            self._thread.join()
        durable.remove(self.target, announce=False)

    def _pack_beside(self) -> None:
        try:
            self._packed = self._pack()
        except BaseException as error:  # noqa: BLE001 - handed to the caller's thread, not swallowed
            self._error = error

    def _pack(self) -> PackedOriginal | None:
        digest = hashlib.sha256()
        packer = pa.Codec("zstd", compression_level=1)
        with durable.HashingFile(self.target) as target:
            with self.source.open("rb", buffering=0) as source:
                half = self.source.stat().st_size // 2
                while block := source.read(_CHUNK):
                    if source.tell() > half:
                        self._read.wait()
                    if self._stop.is_set():
                        return None
                    digest.update(block)
                    target.write(packer.compress(block, asbytes=True))
                size = source.tell()
            target.commit()
        return PackedOriginal(self.target, digest.hexdigest(), size, target.sha256, target.size)


def unpack_original(path: Path) -> Iterator[bytes]:
    """The bytes of an original, piece by piece.

    Raises:
        TraceDamaged: It can't be unpacked.
    """
    try:
        with pa.OSFile(str(path)) as file, pa.CompressedInputStream(file, "zstd") as stream:
            while block := stream.read(1 << 20):
                yield bytes(block)
    except (pa.ArrowException, OSError) as error:
        if isinstance(error, FileNotFoundError):
            raise
        raise TraceDamaged(f"{path} can't be unpacked: {error}.") from error


def original_hash(path: Path) -> str:
    """SHA-256 of the export that an original holds.

    Raises:
        TraceDamaged: It can't be unpacked.
    """
    digest = hashlib.sha256()
    for block in unpack_original(path):
        digest.update(block)
    return digest.hexdigest()
