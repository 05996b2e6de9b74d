"""One open library: its folder, its catalogue, who writes and in which zone. All that a service needs of it.

Opens and closes nothing (`store.opening`), and knows no service; services find each other through it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import duckdb

from store.catalogue import migrations
from store.catalogue.connection import Catalogue
from store.errors import LibraryTooNew
from store.files.checked import TraceChecks
from store.files.layout import Layout
from store.words.clock import system_user

__all__ = ["Store"]

S = TypeVar("S")


class Store:
    """A library's files and rows; safe to use from several threads, holds nothing between calls.

    Args:
        path: The library's folder.
        who: Name under which changes are recorded; the system's user where None.
        catalogue: Another catalogue than the folder's own, while one is made beside it.
    """

    def __init__(self, path: Path, *, who: str | None = None, catalogue: Catalogue | None = None) -> None:
        self.layout = Layout(path)
        self.catalogue = catalogue or Catalogue(self.layout.catalogue, self.layout.wal, journal=self.layout.journal)
        self.catalogue.may_write = self._check_schema
        self.who = who or system_user()
        self.zone = "UTC"
        """IANA name of the zone in which local times of exports are read."""
        self.checks = TraceChecks(self.catalogue, self.layout)
        """Which trace files were held against their hashes."""
        self.loose_traces = 0
        """Traces of one run each, as of this process's last import."""
        self._services: dict[object, Any] = {}
        self._lock = threading.RLock()

    def service(self, kind: Callable[[Store], S]) -> S:
        """The library's one service of a kind, made when it is first asked for."""
        with self._lock:
            if kind not in self._services:
                self._services[kind] = kind(self)
            found: S = self._services[kind]
            return found

    @property
    def path(self) -> Path:
        """The library's folder."""
        return self.layout.root

    @property
    def name(self) -> str:
        """What the screen calls it: the folder's name."""
        return self.path.resolve().name

    @property
    def notices(self) -> list[str]:
        """Sentences about what had to be put right while opening; for the caller to show."""
        return self.catalogue.notices

    def generation(self) -> int:
        """A number that changes with every commit by any process; costs two stats."""
        return self.catalogue.generation()

    def _check_schema(self, cursor: duckdb.DuckDBPyConnection) -> None:
        """Refuse to write where a newer program has migrated the library meanwhile."""
        found = migrations.schema_version(cursor)
        if found > migrations.LATEST:
            raise LibraryTooNew.of(self.path, found, migrations.LATEST)
