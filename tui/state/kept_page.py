"""The first page of the list, kept for the next start: it shows while the engine is still being loaded.

It is taken only where nothing was committed since: by the catalogue's mark, by the version of the program, and by order
and columns. So it can't show what is no longer true; and the list is read anew as soon as it shows. Knows one folder of
small JSON files; no Textual, no engine.
"""

from __future__ import annotations

import json
import logging
import time
import zlib
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from store.catalogue.marks import CommitMark, mark_of
from store.files.layout import Layout
from store.version import __version__
from tui.state.run_list import PAGE, Page, page_of, wanted_columns

if TYPE_CHECKING:
    from store import Library

__all__ = ["KeptPage", "keep_page", "kept_page"]

_log = logging.getLogger(__name__)

MOST_KEPT = 16
"""Libraries whose page is kept; those not opened for longest go first."""


class KeptPage(NamedTuple):
    """A library's first page, as true as when it was read."""

    page: Page
    zone: str
    """The library's time zone."""


def kept_page(folder: Path, library: Path, *, sort: str, columns: Sequence[str]) -> KeptPage | None:
    """The page of a library that was kept, where it still holds; else None.

    Args:
        folder: Where pages are kept.
        library: The library's folder.
        sort: The list's order.
        columns: The list's columns.
    """
    try:
        found = json.loads(_file_of(folder, library).read_text(encoding="utf-8"), object_hook=_revived)
        if found["about"] != _about(library, _mark(library), sort, columns):
            return None
        names = found["names"]
        rows = [dict(zip(names, row, strict=True)) for row in found["rows"]]
        return KeptPage(Page(rows, int(found["shown"]), int(found["total"])), str(found["zone"]))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def keep_page(folder: Path, library: Library, *, sort: str, columns: Sequence[str]) -> bool:
    """Read the first page and keep it; False where something is being committed just now, or no file can be written."""
    mark = _mark(library.path)
    about = _about(library.path, mark, sort, columns)
    file = _file_of(folder, library.path)
    wanted = wanted_columns(columns)
    if not mark.is_settled(time.time_ns()):
        return False
    page = page_of(library.runs.page(sort=sort, limit=PAGE, columns=wanted))
    if _mark(library.path) != mark:
        return False
    names = list(dict.fromkeys(wanted))
    rows = [[row[name] for name in names] for row in page.rows]
    content = {"about": about, "zone": library.zone, "shown": page.shown, "total": page.total}
    text = json.dumps({**content, "names": names, "rows": rows}, default=_plain)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        half = file.with_suffix(".half")
        half.write_text(text, encoding="utf-8")
        half.replace(file)
        for old in sorted(folder.glob("*.json"), key=lambda path: -path.stat().st_mtime_ns)[MOST_KEPT:]:
            old.unlink()
    except OSError:
        _log.info("the first page could not be kept", exc_info=True)
        return False
    return True


def _file_of(folder: Path, library: Path) -> Path:
    return folder / f"{zlib.crc32(_place(library).encode()):08x}.json"


def _place(library: Path) -> str:
    return str(library.resolve()).encode("utf-8", "backslashreplace").decode()


def _mark(library: Path) -> CommitMark:
    layout = Layout(library)
    return mark_of(layout.catalogue, layout.wal)


def _about(library: Path, mark: CommitMark, sort: str, columns: Sequence[str]) -> list[Any]:
    """What a page must have been made from to be shown; a log beside the catalogue means that nobody can know."""
    return [__version__, _place(library), list(mark.facts), mark.has_log, sort, list(columns)]


def _plain(value: Any) -> Mapping[str, str]:
    if isinstance(value, datetime | date):
        return {type(value).__name__: value.isoformat()}
    raise TypeError(type(value))


def _revived(found: dict[str, Any]) -> Any:
    match found:
        case {"datetime": str(text)}:
            return datetime.fromisoformat(text)
        case {"date": str(text)}:
            return date.fromisoformat(text)
    return found
