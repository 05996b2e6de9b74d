"""Text from files made harmless: control characters and escapes become visible signs.

Knows text only: no Textual, no library. Every string that a person or a file wrote passes here before it is shown.
"""

from __future__ import annotations

import unicodedata

__all__ = ["cut", "fit", "plain", "plain_lines", "width_of"]

_PICTURES = {code: chr(0x2400 + code) for code in range(0x20)} | {0x7F: "\u2421"}
"""Unicode control pictures: U+0000 shows as U+2400 and so on."""

_ASCII_PICTURES = {code: f"^{chr(code + 64)}" for code in range(0x20)} | {0x7F: "^?"}


def plain(text: object, *, ascii_only: bool = False) -> str:
    r"""One line of text that can't steer a terminal.

    Control characters (C0, C1, DEL), line and paragraph separators, direction marks and lone surrogates become visible;
    square brackets stay as they are, since nothing here is read as markup.

    Args:
        text: Anything; `None` gives an empty string.
        ascii_only: Write every other character as `\x..` or `\u....`, for terminals without Unicode.
    """
    if text is None:
        return ""
    string = str(text)
    if string.isascii() and string.isprintable():
        return string
    table = _ASCII_PICTURES if ascii_only else _PICTURES
    return "".join(_visible(character, table, ascii_only) for character in string)


def _visible(character: str, table: dict[int, str], ascii_only: bool) -> str:
    code = ord(character)
    if code in table:
        return table[code]
    category = unicodedata.category(character)
    if category in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}:
        return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"
    if ascii_only and code > 0x7E:
        return _TRADE_ASCII.get(character) or (f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}")
    return character


_TRADE_ASCII = {
    "±": "+-",
    "°": "deg",
    "Ω": "Ohm",
    "µ": "u",
    "μ": "u",
    "×": "x",  # noqa: RUF001
    "–": "-",  # noqa: RUF001
    "→": "->",
    "←": "<-",
    "↑": "^",
    "↓": "v",
    "≥": ">=",
    "≤": "<=",
    "²": "2",
    "³": "3",
    "…": "...",
}
"""How signs of the trade are written where only ASCII can be shown."""


def plain_lines(text: object, *, ascii_only: bool = False) -> list[str]:
    """Several lines of harmless text; line ends part them, tabs become four spaces."""
    lines = str(text if text is not None else "").splitlines() or [""]
    return [plain(line.replace("\t", "    "), ascii_only=ascii_only) for line in lines]


def width_of(text: str) -> int:
    """Cells that a text takes on a terminal: wide characters two, combining marks none."""
    if text.isascii():
        return len(text)
    return sum(_cells(character) for character in text)


def _cells(character: str) -> int:
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in {"W", "F"} else 1


def cut(text: str, width: int, *, ellipsis: str = "…") -> str:
    """Shorten a text to a width in cells, marking that it was cut."""
    if width_of(text) <= width:
        return text
    if width <= 0:
        return ""
    tail = ellipsis if width > width_of(ellipsis) else ""
    room, kept = width - width_of(tail), []
    for character in text:
        room -= _cells(character)
        if room < 0:
            break
        kept.append(character)
    return "".join(kept) + tail


def fit(text: str, width: int, *, right: bool = False, ellipsis: str = "…") -> str:
    """A text cut or padded to exactly `width` cells."""
    shown = cut(text, width, ellipsis=ellipsis)
    padding = " " * (width - width_of(shown))
    return padding + shown if right else shown + padding
