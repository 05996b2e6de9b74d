"""The port that a column's words name: `C1`, `USB-A2`, `Ausgang 3` ... Knows text only."""

from __future__ import annotations

import re

__all__ = ["take_port"]

_PORT_PATTERNS = (
    re.compile(r"(?i)\b(?:usb[ _\-]?)?(?:type|typ|typec|tc)[ _\-]?([ac]\d?)(?![A-Za-z0-9])"),
    re.compile(r"(?i)(?<![A-Za-z0-9])usb[ _\-]?([ac]\d?)(?![A-Za-z0-9])"),
    re.compile(
        r"(?i)(?<![a-z0-9])(?:port|outlet|socket|prise|puerto|porta|poort|gniazdo|anschluss|buchse|端口|接口|ポート)"
        r"[ _\-#]*([a-z]?\d{1,2}|[a-z])(?![a-z0-9])"
    ),
    re.compile(
        r"(?i)(?<![a-z0-9])((?:ch|channel|kanal|canal|canale|kanaal|voie|通道|チャンネル)"
        r"[ _\-#]*[a-z]?\d{1,2})(?![a-z0-9])"
    ),
    re.compile(r"(?<![A-Za-z0-9])([AC]\d{1,2})(?![A-Za-z0-9])"),
)
_OUT_N = re.compile(
    r"(?i)(?<![a-z0-9])(?:out|output|ausgang|sortie|salida|uscita|saida|uitgang)[ _\-#]*(\d{1,2})(?![a-z0-9])"
)


def take_port(words: str, *, is_alone: bool = True) -> tuple[str, str | None, bool]:
    """Take the port out of a column's words.

    Args:
        words: without the unit.
        is_alone: True where no unit stands beside them: `A1` is then amps 1 or port A1, which the table decides.

    Returns:
        What is left, the port or None, and whether the words say that it is an output.
    """
    for pattern in _PORT_PATTERNS:
        match = pattern.search(words)
        if match:
            found = re.sub(r"[ _\-#]+", "", match.group(1)).upper()
            left = (words[: match.start()] + " " + words[match.end() :]).strip(" _-:.")
            if pattern is _PORT_PATTERNS[-1] and not left and is_alone:
                return words, None, False
            if len(found) == 1 and pattern in _PORT_PATTERNS[:2]:
                found = f"USB-{found}"
            return left, found, False
    match = _OUT_N.search(words)
    if match:
        return words[: match.start()] + " out " + words[match.end() :], f"OUT{match.group(1)}", True
    return words, None, False
