"""Would the engine pass over commits that lie in a write-ahead log? It does so without a word in some cases.

A log whose first bytes are damaged is taken for none, and an entry whose length runs past the end for one that was
cut short by a crash (both seen with DuckDB 2.0.1, by flipping every byte of a log). Knows the log's outline only.
"""

from __future__ import annotations

import re
import struct

__all__ = ["checkpoints_of_file", "checkpoints_of_log", "passes_over_commits"]

_HEADER = re.compile(
    rb"d\x00be\x00.f\x00\x10(?:[\x00-\x7f]|[\x80-\xff]\x01){16}g\x00[\x80-\xff]*[\x00-\x7f]\xff\xff", re.DOTALL
)
"""Begin of every log: its version, the 16 bytes that name its database, its count of checkpoints."""
_HEADER_ROOM = 64
"""Bytes within which a header ends."""
_COMMIT = bytes.fromhex("e7fe7d722fed3d5e640064ffff")
"""An entry that ends a transaction, without its length: its checksum and its mark, the same in every log."""
_LENGTHS = struct.Struct("<QQ")
_ONE = struct.Struct("<Q")


def passes_over_commits(log: bytes) -> bool:
    """Is there a commit in the log that a replay would leave out silently?

    Args:
        log: The whole file. A log that a killed process left unfinished is sound: what it lacks was never committed.

    Returns:
        True where the log does not begin like one, or holds a commit behind an entry whose length is wrong.
    """
    header = _HEADER.match(log)
    if header is None:
        return len(log) >= _HEADER_ROOM or _COMMIT in log or (log[:1] not in {b"", b"d"})
    at = header.end()
    while at + _LENGTHS.size <= len(log):
        size, _ = _LENGTHS.unpack_from(log, at)
        if at + _LENGTHS.size + size > len(log):
            break
        at += _LENGTHS.size + size
    return _COMMIT in log[at:]


def checkpoints_of_log(log: bytes) -> int | None:
    """After how many checkpoints of its catalogue a log was begun; None where it does not begin like one."""
    header = _HEADER.match(log)
    if header is None:
        return None
    told = header.group(0)
    number, shift = 0, 0
    for byte in told[told.rindex(b"g\x00") + 2 : -2]:
        number |= (byte & 0x7F) << shift
        shift += 7
    return number


def checkpoints_of_file(headers: bytes) -> int | None:
    """How many checkpoints a catalogue has had, by its first 12 kB: two headers take turns."""
    if len(headers) < 3 * 4096:
        return None
    return max(int(_ONE.unpack_from(headers, page * 4096 + 8)[0]) for page in (1, 2))
