"""A growing export at the bench, followed by the library's own profiles and zone; nothing is stored.

Knows files and the importer.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from importers.reading.following import Following
from importers.schema import Facts
from store.imports.importer import own_profiles
from store.imports.watched_folder import marks_of

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["follow", "newest_export"]


def follow(library: Store, path: Path, facts: Facts) -> Following:
    """Follow one export; see `Following.look`.

    Args:
        library: Whose profiles and zone count.
        path: The export; it may not be there yet.
        facts: What the tester states.
    """
    return Following(path, facts=facts, profiles=own_profiles(library), zone=library.zone)


def newest_export(place: Path, since_s: float) -> Path | None:
    """The export to follow: the file itself, or of a folder the one that changed last and not before a moment.

    Args:
        place: A file that is there or will be, or a folder.
        since_s: Seconds since 1970; older files are other tests'.
    """
    if not place.is_dir():
        return place
    found = [(mark[1], path) for path, mark in marks_of(place).items() if mark[1] >= since_s * 1e9]
    return max(found)[1] if found else None
