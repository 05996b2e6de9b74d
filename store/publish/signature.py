"""Who answers for published pages, how to reach them, where they test: a library's own setting, asked for once.

Knows the catalogue's settings only. A login name is never taken for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from store.catalogue.settings import read_settings, write_setting

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["FIELDS", "keep_signature", "kept_signature"]

FIELDS = ("tester", "contact", "place")
_GROUP = "published by"


def kept_signature(store: Store) -> dict[str, str]:
    """What is kept: `tester`, `contact`, `place`; a name that was never given is missing, one refused is empty."""
    with store.catalogue.reader() as cursor:
        return {name: text for name, text in read_settings(cursor, _GROUP).items() if name in FIELDS}


def keep_signature(store: Store, said: Mapping[str, str | None]) -> None:
    """Keep what was said for every page to come; what is None stays as it is."""
    found = {name: said[name] for name in FIELDS if said.get(name) is not None}
    before = kept_signature(store)
    changed = {name: text.strip() for name, text in found.items() if text is not None and before.get(name) != text}
    if changed:
        with store.catalogue.writer() as cursor:
            for name, text in changed.items():
                write_setting(cursor, _GROUP, name, text)
