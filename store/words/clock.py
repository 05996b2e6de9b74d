"""Now, in UTC, the zone of this machine, and moments in words. Knows nothing of a library."""

from __future__ import annotations

import getpass
import os
import re
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

__all__ = ["as_utc", "clock_form", "local_date", "local_time", "now_utc", "system_user", "system_zone", "to_stored"]


def now_utc() -> datetime:
    """The present moment, aware, to the microsecond."""
    return datetime.now(UTC)


def to_stored(moment: datetime | None) -> datetime | None:
    """A moment as the catalogue keeps it: UTC without a zone. A naive one is taken as UTC already."""
    if moment is None or moment.tzinfo is None:
        return moment
    return moment.astimezone(UTC).replace(tzinfo=None)


def as_utc(moment: datetime | None) -> datetime | None:
    """A stored moment made aware again."""
    return moment if moment is None or moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def system_user() -> str:
    """Who uses this machine; `unknown` where the system doesn't tell."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError):
        return False
    return True


def system_zone() -> str:
    """IANA name of this machine's time zone; `UTC` where it can't be told."""
    named = os.environ.get("TZ", "").removeprefix(":")
    if named and _is_zone(named):
        return named
    link = Path("/etc/localtime")
    if link.is_symlink():
        _, _, name = str(link.resolve()).partition("zoneinfo/")
        if name and _is_zone(name):
            return name
    written = Path("/etc/timezone")
    if written.is_file():
        name = written.read_text(encoding="utf-8", errors="replace").strip()
        if name in available_timezones():
            return name
    return "UTC"


_CLOCK_LETTERS = {
    "%Y": "YYYY",
    "%y": "YY",
    "%m": "MM",
    "%b": "MMM",
    "%d": "DD",
    "%H": "hh",
    "%I": "hh",
    "%M": "mm",
    "%S": "ss",
    "%.f": ".fff",
    "%p": "am/pm",
    "%z": "\u00b1hh:mm",
}


_PARTS = {"Y": "YYYY", "O": "MM", "A": "DD", "h": "hh", "m": "mm", "s": "ss"} | {
    "S": "YYYYMMDDhhmmss",
    "M": "YYYYMMDDhhmm",
    "D": "YYYYMMDD",
    "T": "hhmmss",
}
"""Parts of clocks of digits, by their letters in a form."""
_CLOCK_CODE = re.compile("|".join(re.escape(code) for code in _CLOCK_LETTERS))


def clock_form(code: str) -> str:
    """How a clock's cells are written, for people: `%d.%m.%Y %H:%M:%S%.f` is `DD.MM.YYYY hh:mm:ss.fff`.

    Source of the letters: ISO 8601-1:2019, 3.2 (from memory). What is no such code stays as it is. A clock in parts, or
    of digits alone, is told by its parts: `digits:Xhm|%Y-%m-%d` is `YYYY-MM-DD, hh, mm`.
    """
    if code.startswith("digits:"):
        letters, _, day = code.removeprefix("digits:").partition("|")
        return ", ".join(clock_form(day) if letter == "X" else _PARTS.get(letter, letter) for letter in letters)
    if code == "1h2m3s":
        return "h m s"
    if code.startswith("."):
        return code[1:].replace(":", ".")
    code = code.removeprefix("~")  # names and half days were brought to digits
    return _CLOCK_CODE.sub(lambda m: _CLOCK_LETTERS[m[0]], code)


def local_date(moment: datetime | None, zone: tzinfo | None = None, *, missing: str = "") -> str:
    """The day of a moment in the library's zone, as ISO 8601."""
    return missing if moment is None else moment.astimezone(zone).date().isoformat()


def local_time(moment: datetime | None, zone: tzinfo | None = None, *, missing: str = "") -> str:
    """Day and minute of a moment in the library's zone."""
    return missing if moment is None else moment.astimezone(zone).strftime("%Y-%m-%d %H:%M")
