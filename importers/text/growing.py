"""The text of a file that another program still writes: whole lines as they come, each once.

Knows bytes and codecs. Knows no table.
"""

from __future__ import annotations

import codecs
import os
from collections.abc import Iterator
from enum import Enum

from importers.text.bytesview import PIECE, SINGLE, BytesView, Piece, count_byte, mark_length, to_utf8
from importers.text.quoting import breaks_at

__all__ = ["FileChange", "GrowingText"]

_KEPT = 256
"""Bytes at the beginning and before the place read to that are compared at each look: a file that was written anew has
others."""


class FileChange(Enum):
    """What became of a file since the last look."""

    GROWN = "grown"
    SAME = "same"
    GONE = "gone"
    ANEW = "anew"
    """Shorter, another file, or other bytes where it was read before: what was read is void."""


class GrowingText:
    """A text of lines, read on from where it was read to; a line that is not ended yet waits.

    Args:
        view: what was found out about its bytes; not of a packed file, nor of another form.
    """

    def __init__(self, view: BytesView) -> None:
        self.view = view
        wide = view.encoding not in SINGLE
        self._decoder = codecs.getincrementaldecoder(view.encoding)("replace") if wide else None
        self._offset = mark_length(view)
        self._begin = b""
        self._before = b""
        self._size = -1
        self._rest = b""
        self._line = 1

    def look(self) -> FileChange:
        """Compare the file with what was read of it; costs a stat, and two short reads where it changed.

        Raises:
            OSError: it can't be read just now, as on a network disk that is away.
        """
        try:
            size = self.view.path.stat().st_size
        except FileNotFoundError:
            return FileChange.GONE
        if size == self._size:
            return FileChange.SAME
        if size < self._offset or not self._holds():
            return FileChange.ANEW
        return FileChange.GROWN if size > self._offset else FileChange.SAME

    def _holds(self) -> bool:
        with self.view.path.open("rb") as file:
            if file.read(len(self._begin)) != self._begin:
                return False
            file.seek(self._offset - len(self._before))
            return file.read(len(self._before)) == self._before

    def more(self) -> Iterator[Piece]:
        """Yield the lines that were ended since, in pieces of bounded size.

        Raises:
            OSError: it can't be read just now; the next call goes on where this one stopped.
        """
        with self.view.path.open("rb") as file:
            file.seek(self._offset)
            end = os.fstat(file.fileno()).st_size
            while self._offset < end:
                raw = file.read(min(PIECE, end - self._offset))
                if self._decoder is None:
                    raw = raw.rstrip(b"\0")  # room that its writer took in advance
                if not raw:
                    break
                self._offset += len(raw)
                self._before = (self._before + raw)[-_KEPT:]
                piece = self._cut(raw)
                if piece is not None:
                    yield piece
            if len(self._begin) < _KEPT:
                file.seek(0)
                self._begin = file.read(min(_KEPT, self._offset))
        self._size = end if self._offset == end else -1

    def _cut(self, raw: bytes) -> Piece | None:
        text = self._decoder.decode(raw).encode() if self._decoder else raw
        if self.view.newline == "\r":
            text = text.replace(b"\r", b"\n")
        text = self._rest + text
        cut = breaks_at(text, text.rfind(b"\n") + 1)
        self._rest, text = text[cut:], text[:cut]
        if not text:
            return None
        if not self._decoder:
            text = to_utf8(text, self.view.encoding)
        newlines = count_byte(text, "\n")
        first, self._line = self._line, self._line + newlines
        return Piece(text, first, is_last=False, ends_line=True, newlines=newlines)
