"""A library that is opened when something of it is first asked for, off the event loop.

Stands in for one whose first page is shown already. Knows how to open it; loads no engine itself.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from store.catalogue.marks import mark_of
from store.files.layout import Layout

if TYPE_CHECKING:
    from store import Library

__all__ = ["LateLibrary"]


class LateLibrary:
    """What the list of runs asks of a library; every call opens it first and may take as long as that.

    Args:
        path: Its folder.
        zone: Its time zone, as it was when its page was kept.
        open_library: Opens it; a failure is tried again with the next call.
    """

    def __init__(self, path: Path, *, zone: str, open_library: Callable[[], Library]) -> None:
        self.path = path
        self.zone = zone
        self._open = open_library
        self._library: Library | None = None
        self._lock = threading.Lock()

    @property
    def name(self) -> str:
        """The folder's name."""
        return self.path.resolve().name

    def generation(self) -> int:
        """A number that changes with every commit by any process; opens nothing."""
        layout = Layout(self.path)
        return mark_of(layout.catalogue, layout.wal).number

    def opened(self) -> Library:
        """The library itself.

        Raises:
            StoreError: It can't be opened.
        """
        with self._lock:
            if self._library is None:
                self._library = self._open()
            return self._library

    def __getattr__(self, name: str) -> _LateService:
        if name.startswith("_"):
            raise AttributeError(name)

        return _LateService(self, name)


class _LateService:
    """A service of a library that is opened with the first call."""

    def __init__(self, library: LateLibrary, name: str) -> None:
        self._library = library
        self._name = name

    def __getattr__(self, name: str) -> Callable[..., Any]:
        def call(*args: Any, **options: Any) -> Any:
            return getattr(getattr(self._library.opened(), self._name), name)(*args, **options)

        return call
