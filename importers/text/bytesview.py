"""What an export's bytes are: packing, encoding, line ends, NUL tail; and its text as UTF-8 in bounded pieces.

Knows bytes and codecs. Knows no table: delimiters and columns are in `shape`.
"""

from __future__ import annotations

import codecs
import gzip
import re
import stat
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np

from importers.problems import ImportRefused
from importers.text.archive import open_member
from importers.text.quoting import breaks_at
from importers.text.recast.recast import Recast
from importers.vocabulary.words import Vocabulary, plain_signs, tokens

__all__ = [
    "PIECE",
    "SINGLE",
    "WHOLE_LIMIT",
    "BytesView",
    "Piece",
    "count_byte",
    "mark_length",
    "pieces",
    "read_magic",
    "to_utf8",
    "view_bytes",
]

WHOLE_LIMIT = 1 << 20
"""Files up to this size [bytes] are looked at whole; of longer ones the head, slices and the tail."""
PIECE = 6 << 20
"""Size of a piece of text [bytes]: bounds memory, large enough to keep both cores busy."""

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
SINGLE = frozenset({"utf-8", "cp1250", "cp1251", "cp1252", "cp1253", "cp1254", "koi8_u"})
"""Codecs in which a line end is a byte of its own and no byte depends on the one before."""
_PAGES = {
    "cp1252": "Windows-1252",
    "cp1250": "Windows-1250",
    "cp1251": "Windows-1251",
    "cp1253": "Windows-1253",
    "cp1254": "Windows-1254",
    "koi8_u": "KOI8",
    "gb18030": "GB 18030",
    "cp932": "Shift JIS",
    "cp949": "EUC-KR",
}
"""Code pages that are tried where a text is not UTF-8, and what they are called; of equals the first is taken."""
_TWO_BYTE = frozenset({"gb18030", "cp932", "cp949"})
_ASCII_BASED = SINGLE | _TWO_BYTE
_GZIP, _ZSTD = b"\x1f\x8b", b"\x28\xb5\x2f\xfd"
_MEMBER = "zip:"
"""Packing of a member of an archive: this and its name."""
DAMAGED = (OSError, zlib.error, EOFError, zipfile.BadZipFile, NotImplementedError)
"""What reading a file or unpacking it may raise."""
_HIGH = re.compile(rb"[\x80-\xff]+")
_BINARY = re.compile(rb"[\x01-\x08\x0e-\x1a\x1c-\x1f]")


@dataclass(frozen=True, slots=True)
class BytesView:
    """What was found out about a file's bytes."""

    path: Path
    size: int
    """On disk [bytes]."""
    packing: str | None
    """`gzip`, `zstd`, `workbook`, `zip:` and a member's name, or None."""
    encoding: str
    """Python codec name."""
    has_bom: bool
    reason: str
    newline: str
    """`\\n`, `\\r\\n` or `\\r`."""
    is_whole: bool
    """True where `head` holds the whole text."""
    head: bytes
    """The text's beginning as UTF-8, newlines as `\\n`."""
    tail: bytes = b""
    """The end of a longer file, whole lines, as UTF-8."""
    slices: tuple[bytes, ...] = ()
    """Pieces from within a longer file, whole lines, as UTF-8."""
    nul_tail: int = 0
    """NUL bytes at the end, left by a loss of power."""
    recast: Recast | None = None
    """The table that stands for a file of another form; then `head`, `tail` and `slices` are of its text."""
    passed: tuple[str, ...] = ()
    """Sheets or members that hold something else and are not read."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Consecutive whole lines of the text."""

    text: bytes
    """UTF-8, newlines as `\\n` or `\\r\\n`."""
    first_line: int
    """1-based number of its first line."""
    is_last: bool
    ends_line: bool
    """False where the last line has no line end."""
    newlines: int | None = None
    """Line ends in the text, where they were counted."""

    def count_newlines(self) -> int:
        """Line ends in the text."""
        return count_byte(self.text, "\n") if self.newlines is None else self.newlines


def count_byte(text: bytes, mark: str) -> int:
    """How often an ASCII character stands in a text: by NumPy a fifth of the time of `bytes.count`."""
    return int(np.count_nonzero(np.frombuffer(text, np.uint8) == ord(mark)))


def read_magic(path: Path) -> bytes:
    """The first bytes of a file; pipes and devices are refused before they are opened, for they may never answer.

    Raises:
        ImportRefused: no such file, a folder, a pipe, a device, unreadable or empty.
    """
    name = path.name
    try:
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise ImportRefused.because(
                "folder", f"{name} is a folder. Name a file in it, or import the folder.", file=name
            )
        if not stat.S_ISREG(found.st_mode):
            raise ImportRefused.because(
                "no-file", f"{name} is not a regular file. Copy its content to a file first.", file=name
            )
        if found.st_size == 0:
            raise ImportRefused.because("empty", f"{name} is empty: 0 bytes. Export it again.", file=name)
        with path.open("rb") as file:
            return file.read(8)
    except FileNotFoundError as error:
        raise ImportRefused.because("no-file", f"{name} does not exist. Check the path.", file=name) from error
    except OSError as error:
        raise _unreadable(name, error) from error


def _unreadable(name: str, error: Exception) -> ImportRefused:
    what = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return ImportRefused.because(
        "unreadable", f"{name} can't be read: {what}. Check it and its permissions.", file=name
    )


def view_bytes(path: Path, words: Vocabulary, member: str | None = None) -> BytesView:
    """Look at a text's bytes.

    Args:
        path: the file, of which `read_magic` has told that it can be opened.
        words: the vocabulary, by which code pages are told.
        member: name within a ZIP archive.

    Raises:
        ImportRefused: unreadable, empty, binary or damaged in its packing.
    """
    name = path.name
    try:
        size = path.stat().st_size
        packing, raw, is_whole = _read_head(path, member)
    except DAMAGED as error:
        raise _unreadable(name, error) from error
    encoding, bom, reason = _encoding(raw, words, name)
    body = raw[bom:]
    nul_tail = 0
    if encoding in _ASCII_BASED:
        kept = body.rstrip(b"\0")
        nul_tail = len(body) - len(kept) if is_whole else 0
        body = kept
        if not body.strip():
            raise ImportRefused.because(
                "empty", f"{name} contains only blanks and NUL bytes. Export it again.", file=name
            )
    head = to_utf8(body, encoding)
    newline = _newline(head)
    if newline == "\r":
        head = head.replace(b"\r", b"\n")
    if not is_whole:
        head = head[: head.rfind(b"\n") + 1] or head
    tail, slices = (b"", ()) if is_whole or packing else _inner(path, size, encoding, newline)
    if tail:
        stripped = tail.rstrip(b"\0")
        nul_tail, tail = len(tail) - len(stripped), stripped
    return BytesView(path, size, packing, encoding, bom > 0, reason, newline, is_whole, head, tail, slices, nul_tail)


def _read_head(path: Path, member: str | None) -> tuple[str | None, bytes, bool]:
    with path.open("rb") as file:
        magic = file.read(4)
    packing = f"{_MEMBER}{member}" if member else "gzip" if magic[:2] == _GZIP else "zstd" if magic == _ZSTD else None
    with open_text(path, packing) as stream:
        raw = _read_full(stream, WHOLE_LIMIT + 1)
    if len(raw) > WHOLE_LIMIT:
        return packing, raw[:WHOLE_LIMIT], False
    return packing, raw, True


def open_text(path: Path, packing: str | None) -> BinaryIO:
    """Open a file's bytes unpacked, as a stream."""
    if packing == "gzip":
        return cast(BinaryIO, gzip.open(path, "rb"))
    if packing == "zstd":
        import pyarrow as pa  # noqa: PLC0415 - 30 ms that plain text need not pay

        return cast(BinaryIO, pa.CompressedInputStream(pa.OSFile(str(path)), "zstd"))
    if packing is not None and packing.startswith(_MEMBER):
        return open_member(path, packing.removeprefix(_MEMBER))
    return path.open("rb")


def to_utf8(raw: bytes, encoding: str) -> bytes:
    """Bring bytes to UTF-8; what can't be decoded becomes U+FFFD and fails as a number later."""
    if encoding == "utf-8":
        if raw.isascii():
            return raw
        try:
            raw.decode()
        except UnicodeDecodeError:
            return raw.decode("utf-8", "replace").encode()
        return raw
    if raw.isascii() and encoding in _ASCII_BASED:
        return raw
    return raw.decode(encoding, "replace").encode()


def _newline(text: bytes) -> str:
    if b"\r\n" in text:
        return "\r\n"
    return "\n" if b"\n" in text or b"\r" not in text else "\r"


def _encoding(raw: bytes, words: Vocabulary, name: str) -> tuple[str, int, str]:
    """Tell the encoding, the mark's length and the reason."""
    for mark, codec in _BOMS:
        if raw.startswith(mark):
            return codec, len(mark), f"byte-order mark of {codec.upper()}"
    wide = _wide(raw)
    if wide:
        return wide, 0, "every second byte is NUL, as in UTF-16 without a mark"
    body = raw.rstrip(b"\0")
    controls = len(_BINARY.findall(body[:65536]))
    nuls = body.count(b"\0")
    if (body and (controls > max(8, len(body[:65536]) // 50) or nuls > len(body) // 4)) or (not body and len(raw) > 64):
        raise ImportRefused.because("binary", f"{name} is not text but binary data. Export it as CSV.", file=name)
    if raw.isascii():
        return "utf-8", 0, "plain ASCII"
    try:
        raw.decode()
    except UnicodeDecodeError as error:
        if error.start > len(raw) - 4:
            return "utf-8", 0, "valid UTF-8"
        return _legacy(raw, words)
    return "utf-8", 0, "valid UTF-8"


def _wide(raw: bytes) -> str:
    sample = raw[: 4096 & ~1]
    if len(sample) < 8:
        return ""
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    half = len(sample) // 2
    if odd > 0.6 * half and even < 0.1 * half:
        return "utf-16-le"
    return "utf-16-be" if even > 0.6 * half and odd < 0.1 * half else ""


def _legacy(raw: bytes, words: Vocabulary) -> tuple[str, int, str]:
    """Choose a legacy code page: by which reading gives known words, then by how the high bytes stand."""
    # Damaged UTF-8: nearly all of the high bytes are well-formed sequences.
    good = raw.decode("utf-8", "ignore")
    multi = sum(len(c.encode()) for c in good if ord(c) > 127)
    high = sum(len(r) for r in _HIGH.findall(raw))
    if multi > 0.8 * high and multi >= 2:
        return "utf-8", 0, "UTF-8 with damaged places"
    sample = b"\n".join([line for line in raw[: 4 << 14].splitlines() if not line.isascii()][:60])
    scores: dict[str, float] = {}
    for codec in _PAGES:
        text = sample.decode(codec, "replace")
        # bytes that the page does not have speak against it, whatever words are found
        scores[codec] = _known_words(text, words) - 4 * text.count("\ufffd")
    best = max(scores, key=lambda codec: scores[codec])
    if scores[best] <= 0:
        return "cp1252", 0, "not UTF-8; no word beyond ASCII is known, so it is read as Windows-1252"
    return best, 0, f"not UTF-8; read as {_PAGES[best]}, in which its words are known"


def _known_words(text: str, words: Vocabulary) -> float:
    """Weigh the words beyond ASCII of some lines: those of the vocabulary for, others a little against."""
    return sum(_weight_of(cell, words) for cell in set(_PARTS.split(text)) if not cell.isascii())


_PARTS = re.compile(r"[\s,;\t|:=()\[\]/\"'（）［］]+")
_ASIAN = re.compile(r"[\u3040-\u30ff\u4e00-\u9fff\uac00-\ud7af]")
_LATIN_WORD = re.compile(r"[A-Za-z]*[°µäöüÄÖÜßéèêàçñóíáúÉãõâôıąęłśćńżźĄĘŁ²³·]+[A-Za-z]*.*")


def _weight_of(cell: str, words: Vocabulary) -> float:
    if plain_signs(cell) in words.units:
        return 2.0
    if _ASIAN.search(cell):
        inside = [w for w in _asian_words(words) if w in cell]
        return 2.0 * max((len(w) for w in inside), default=0) - 0.5 * sum(ord(c) > 127 for c in cell) * (not inside)
    said = [t for t in tokens(cell) if not t.isascii() or not cell.isascii()]
    known = sum((t,) in words.quantities or (t,) in words.roles or (t,) in words.preamble for t in said)
    exact = cell.casefold().strip("№#.") in words.spelled
    if known or exact:
        return 2.0 + 1.5 * exact
    return 0.5 if _LATIN_WORD.fullmatch(cell) else -0.5


@lru_cache(maxsize=4)
def _asian_words(words: Vocabulary) -> tuple[str, ...]:
    """Words of scripts without spaces, of two characters or more."""
    return tuple({w for phrase in words.quantities for w in phrase if len(w) > 1 and _ASIAN.search(w)})


def _inner(path: Path, size: int, encoding: str, newline: str) -> tuple[bytes, tuple[bytes, ...]]:
    """Read whole lines at the end and at four places within, so that a late change of sign or unit is seen."""
    if encoding.startswith("utf-32"):
        return b"", ()
    width = 2 if encoding.startswith("utf-16") else 1
    end = b"\r" if newline == "\r" else b"\n"
    pieces: list[bytes] = []
    span = 64 << 10
    with path.open("rb") as file:
        for place in (0.3, 0.5, 0.7, 0.9, None):
            at = (size - span if place is None else int(size * place)) & ~(width - 1)
            file.seek(max(at, 0))
            text = to_utf8(file.read(span), encoding)
            start = text.find(end) + 1
            text = text[start:] if place is None else text[start : text.rfind(end) + 1]
            pieces.append(text.replace(b"\r", b"\n") if newline == "\r" else text)
    return pieces[-1], tuple(pieces[:-1])


def mark_length(view: BytesView) -> int:
    """Bytes of the byte order mark; 0 without one."""
    return next(len(mark) for mark, codec in _BOMS if codec == view.encoding) if view.has_bom else 0


def pieces(view: BytesView, size: int = PIECE) -> Iterator[Piece]:
    """Yield the whole text in pieces of whole lines, UTF-8.

    Raises:
        ImportRefused: the file can't be read on, or its packing is damaged.
    """
    if view.recast is not None:
        text = view.recast.text
        yield Piece(text, 1, is_last=True, ends_line=text.endswith(b"\n"))
        return
    try:
        yield from _pieces(view, size)
    except DAMAGED as error:
        what = getattr(error, "strerror", None) or str(error) or type(error).__name__
        raise ImportRefused.because(
            "unreadable",
            f"{view.path.name} can't be read to its end: {what}. Copy or export it again.",
            file=view.path.name,
        ) from error


def _pieces(view: BytesView, size: int) -> Iterator[Piece]:
    wide = view.encoding not in SINGLE
    decoder = codecs.getincrementaldecoder(view.encoding)("replace") if wide else None
    rest = b""
    line = 1
    nul = False
    with open_text(view.path, view.packing) as stream:
        if view.has_bom:
            stream.read(mark_length(view))
        while True:
            raw = _read_full(stream, size)
            final = len(raw) < size
            text = decoder.decode(raw, final).encode() if decoder else raw
            if view.newline == "\r":
                text = text.replace(b"\r", b"\n")
            if (final and text.endswith(b"\0")) or nul:
                text = text.rstrip(b"\0")
                nul = True
            text = rest + text
            cut = len(text) if final else breaks_at(text, text.rfind(b"\n") + 1)
            rest, text = text[cut:], text[:cut]
            if not decoder:
                text = to_utf8(text, view.encoding)
            newlines = count_byte(text, "\n")
            if text or final:
                yield Piece(text, line, final, text.endswith(b"\n"), newlines)
            line += newlines
            if final:
                return


def _read_full(stream: BinaryIO, size: int) -> bytes:
    """Read `size` bytes, fewer only at the end: decompressors may hand out less at a time."""
    raw = stream.read(size)
    while 0 < len(raw) < size and (more := stream.read(size - len(raw))):
        raw += more
    return raw
