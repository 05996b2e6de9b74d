"""What this terminal can draw: strips and signs by setting, else by its character encoding.

Knows words only: no Textual; the encoding is handed in.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from tui.render.format import ASCII_SIGNS, UNICODE_SIGNS, Signs

__all__ = ["Look", "StripStyle", "look_for"]

StripStyle = Literal["braille", "blocks", "ascii"]
"""What the terminal can draw."""


class Look(NamedTuple):
    """How strips and signs are drawn."""

    strips: StripStyle = "braille"
    signs: Signs = UNICODE_SIGNS

    @property
    def is_ascii(self) -> bool:
        """Whether only ASCII may be printed."""
        return self.signs.is_ascii


def look_for(encoding: str | None, wanted: Literal["auto", "braille", "blocks", "ascii"] = "auto") -> Look:
    """Choose signs and strips.

    Args:
        encoding: Encoding of the terminal, as Python names it.
        wanted: The person's setting; `auto` goes by the encoding.
    """
    is_utf = (encoding or "").lower().replace("-", "").replace("_", "").startswith(("utf8", "utf16", "cp65001"))
    if wanted == "ascii" or (wanted == "auto" and not is_utf):
        return Look("ascii", ASCII_SIGNS)
    return Look("blocks" if wanted == "blocks" else "braille", UNICODE_SIGNS)
