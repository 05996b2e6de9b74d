"""What was judged of devices, kept for the next start: a thousand devices are judged once, then as they change.

Kept in the person's cache folder, not in the library: who may write there could change the program as well, so that a
library from elsewhere can't bring verdicts with it. Every entry goes with the mark of all its inputs
(`marks.device_marks`), and the whole file with the program's own code. A file that can't be read or written is as good
as none.
"""

from __future__ import annotations

import logging
import os
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Generic, TypeVar

import duckdb
import msgspec
import platformdirs

from store.version import __version__

__all__ = ["KeptOfDevices"]

_log = logging.getLogger(__name__)

MOST_KEPT = 64
"""Files that are kept; those not written for longest go first."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class _Entry(Generic[T]):
    mark: int
    """Of all that the value rests on."""
    value: T


@dataclass(frozen=True, slots=True)
class _File(Generic[T]):
    about: str
    """Which program worked it out."""
    devices: dict[str, _Entry[T]] = field(default_factory=dict)


class KeptOfDevices(Generic[T]):
    """One value per device, worked out where none is kept or its mark has changed.

    Args:
        library: The library's folder.
        what: Names the value; another name, another file.
        kind: The value's type: a dataclass, or a tuple of them.
    """

    def __init__(self, library: Path, what: str, kind: type[T]) -> None:
        place = str(library.resolve()).encode("utf-8", "backslashreplace")
        folder = platformdirs.user_cache_path("joulebook", appauthor=False) / "devices"
        self._file = folder / f"{zlib.crc32(place):08x}-{zlib.crc32(what.encode()):08x}.msgpack"
        self._about = f"{__version__} {duckdb.__version__} {_code_mark()} {place.decode()} {what}"
        self._decoder = msgspec.msgpack.Decoder(_File[kind])  # type: ignore[valid-type]
        self._held: Mapping[str, _Entry[T]] | None = None

    def of(self, marks: Mapping[str, int], work_out: Callable[[Iterable[str]], Mapping[str, T]]) -> dict[str, T]:
        """The value of each device that has a mark.

        Args:
            marks: By device, as of now.
            work_out: Gives the values of some devices.
        """
        held = self._read() if self._held is None else self._held
        kept = {name: entry for name, entry in held.items() if marks.get(name) == entry.mark}
        missing = [name for name in marks if name not in kept]
        if missing:
            fresh = work_out(missing)
            kept |= {name: _Entry(marks[name], fresh[name]) for name in missing if name in fresh}
        if missing or len(kept) < len(held):
            self._write(kept)
        self._held = kept
        return {name: entry.value for name, entry in kept.items()}

    def _read(self) -> Mapping[str, _Entry[T]]:
        try:
            found: _File[T] = self._decoder.decode(self._file.read_bytes())
        except (OSError, msgspec.MsgspecError, ValueError, RecursionError):
            return {}
        return found.devices if found.about == self._about else {}

    def _write(self, kept: dict[str, _Entry[T]]) -> None:
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            half = self._file.with_suffix(f".{os.getpid()}")
            half.write_bytes(msgspec.msgpack.encode(_File(self._about, kept)))
            half.replace(self._file)
            files = sorted(self._file.parent.glob("*.msgpack"), key=lambda path: -path.stat().st_mtime_ns)
            for old in files[MOST_KEPT:]:
                old.unlink(missing_ok=True)
        except OSError:
            _log.info("what was judged could not be kept", exc_info=True)


@cache
def _code_mark() -> int:
    """A number that changes when the code or the tables that judge are changed."""
    found = 0
    for folder, _, names in sorted(os.walk(Path(__file__).parents[1])):
        for name in sorted(names):
            if name.endswith((".py", ".toml")):
                facts = os.stat(os.path.join(folder, name))  # noqa: PTH116, PTH118 (400 files at each start)
                found = zlib.crc32(f"{name} {facts.st_size} {facts.st_mtime_ns}".encode(), found)
    return found
