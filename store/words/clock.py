"""Now, in UTC, and the zone of this machine. Knows nothing of a library."""

from __future__ import annotations

import getpass
import os
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

__all__ = ["as_utc", "now_utc", "system_user", "system_zone", "to_stored"]


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
