"""The blocks of a catalogue that a checkpoint writes over in place, kept beside it before it begins.

The engine writes data to free blocks, but the blocks that hold its own lists are written where they lie: a power cut
there left a file that did not open (4 of 74 cuts with ordered writes, 17 of 74 with torn ones). So whoever is about to
write keeps those blocks and the headers first, flushed; what a cut leaves is put right from them and the log, which is
there until a checkpoint is through. Knows the outline of the engine's file, no table.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import struct
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from store.catalogue.every_value import read_every_value
from store.files import durable

__all__ = ["KeptBlocks", "open_unlocked"]

_PAGE = 4096
_HEADERS = 3 * _PAGE
_MAGIC = b"joulebook kept blocks 1\n"
_BLOCKS = "SELECT block_id FROM pragma_metadata_info('catalogue')"
_SIZE = "SELECT block_size FROM pragma_database_size() WHERE database_name = 'catalogue'"
_ITERATION = struct.Struct("<Q")


@contextmanager
def open_unlocked(path: Path) -> Iterator[int | None]:
    """A handle of the catalogue that is closed only after the engine has let go of the file.

    Closing any handle of a file drops all the locks that the process holds on it (POSIX), the engine's among them: open
    it before the engine attaches, and leave here after it has detached.
    """
    handle = None
    if sys.platform != "win32":
        with suppress(OSError):
            handle = os.open(path, os.O_RDONLY)
    try:
        yield handle
    finally:
        if handle is not None:
            os.close(handle)


def _iteration(headers: bytes) -> int:
    """Count of the newest checkpoint, by the two headers that take turns."""
    return max(int(_ITERATION.unpack_from(headers, page * _PAGE + 8)[0]) for page in (1, 2))


class KeptBlocks:
    """The file beside a catalogue that holds what the next checkpoint may write over."""

    def __init__(self, catalogue: Path, log: Path) -> None:
        self.catalogue = catalogue
        self.log = log
        self.path = catalogue.with_name(catalogue.name + ".before")

    def keep(self, cursor: duckdb.DuckDBPyConnection, handle: int) -> None:
        """Keep headers and lists of the attached catalogue, flushed to disk.

        Raises:
            OSError: The disk refused; nothing has been written to the catalogue yet.
        """
        blocks = [int(row[0]) for row in cursor.execute(_BLOCKS).fetchall()]
        found = cursor.execute(_SIZE).fetchall()
        if not blocks or not found:
            return  # new: nothing to write over
        size = int(found[0][0])
        pieces = [(0, os.pread(handle, _HEADERS, 0))]
        for block in sorted(blocks):
            offset = _HEADERS + block * size
            pieces.append((offset, os.pread(handle, size, offset)))
        told = json.dumps({"pieces": [[offset, len(data)] for offset, data in pieces]}).encode()
        body = struct.pack("<I", len(told)) + told + b"".join(data for _, data in pieces)
        is_new = not self.path.exists()
        durable.step("keep", self.path)
        with durable.named(self.path), self.path.open("wb") as file:
            file.write(_MAGIC + hashlib.sha256(body).digest() + body)
            file.flush()
            os.fsync(file.fileno())
        if is_new:
            durable.fsync_folder(self.path.parent)

    def _read(self) -> list[tuple[int, bytes]] | None:
        try:
            raw = self.path.read_bytes()
        except OSError:
            return None
        begin = len(_MAGIC) + 32
        if not raw.startswith(_MAGIC) or hashlib.sha256(raw[begin:]).digest() != raw[len(_MAGIC) : begin]:
            return None  # cut off while it was written: the catalogue had not been touched
        (length,) = struct.unpack_from("<I", raw, begin)
        at = begin + 4
        told = json.loads(raw[at : at + length])
        at += length
        pieces = []
        for offset, size in told["pieces"]:
            pieces.append((int(offset), raw[at : at + size]))
            at += size
        return pieces

    def put_back(self, tmp: Path) -> Path | None:
        """Put a catalogue that does not open right, where a checkpoint that was cut off is the cause.

        Args:
            tmp: Folder for the unfinished copy.

        Returns:
            Where the damaged catalogue is kept; None where the kept blocks are not of this state of the file.

        Raises:
            OSError: The disk refused; the catalogue is as it was.
        """
        pieces = self._read()
        if pieces is None:
            return None
        with self.catalogue.open("rb") as file:
            now = file.read(_HEADERS)
        before = _iteration(pieces[0][1])
        after = _iteration(now) if len(now) == _HEADERS else before
        if after > before + 1 or (after == before + 1 and not self.log.exists()):
            return None  # later checkpoints were through
        fresh = durable.new_temporary(tmp, ".duckdb")
        try:
            shutil.copyfile(self.catalogue, fresh)
            with fresh.open("r+b") as file:
                for offset, data in pieces:
                    file.seek(offset)
                    file.write(data)
                file.flush()
                os.fsync(file.fileno())
            if not self._opens(fresh):
                return None
            stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
            aside = self.catalogue.with_name(f"{self.catalogue.name}.damaged-{stamp}")
            try:
                os.link(self.catalogue, aside)
            except OSError:
                shutil.copyfile(self.catalogue, aside)
            durable.place(fresh, self.catalogue)
            durable.fsync_folder(self.catalogue.parent)
        finally:
            for path in (fresh, fresh.with_name(fresh.name + ".wal")):
                durable.remove(path, announce=False)
        return aside

    def newest_header_holds(self, tmp: Path) -> bool:
        """Whether the header of the newest checkpoint is whole: then nothing of an older log is missing in the file.

        Tried on a copy in which it stands in both places.

        Raises:
            OSError: The disk refused.
        """
        fresh = durable.new_temporary(tmp, ".duckdb")
        try:
            shutil.copyfile(self.catalogue, fresh)
            with fresh.open("r+b") as file:
                headers = file.read(_HEADERS)
                counts = [int(_ITERATION.unpack_from(headers, page * _PAGE + 8)[0]) for page in (1, 2)]
                newest, other = 1 + counts.index(max(counts)), 1 + counts.index(min(counts))
                file.seek(other * _PAGE)
                file.write(headers[newest * _PAGE : (newest + 1) * _PAGE])
            return self._opens(fresh, with_log=False)
        finally:
            durable.remove(fresh, announce=False)

    def _opens(self, fresh: Path, *, with_log: bool = True) -> bool:
        """Whether a copy opens with the log, and every value of it can be read."""
        if with_log and self.log.exists():
            shutil.copyfile(self.log, fresh.with_name(fresh.name + ".wal"))
        quoted = str(fresh).replace("'", "''")
        engine = duckdb.connect(":memory:")
        try:
            engine.execute(f"SET allowed_directories = ['{str(fresh.parent).replace(chr(39), chr(39) * 2)}']")
            engine.execute("SET enable_external_access = false")
            engine.execute(f"ATTACH '{quoted}' AS copied (READ_ONLY)")
            read_every_value(engine, "copied")
        except duckdb.Error:
            return False
        finally:
            engine.close()
        return True
