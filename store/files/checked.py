"""Trace files held against their hashes before an engine reads them.

One flipped bit in a compressed column gave a wrong value without an error in two of three trials, and an engine checks
no page. So each file is hashed once per size, time of change and inode, and what was found is kept for the next
question. Knows the catalogue's table of trace files.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from store.catalogue.connection import Catalogue, rows
from store.errors import TraceDamaged
from store.files import durable
from store.files.layout import Layout

__all__ = ["TraceChecks"]

_AT_ONCE = 4


class TraceChecks:
    """What is known of the trace files of one library; safe to use from several threads."""

    def __init__(self, catalogue: Catalogue, layout: Layout) -> None:
        self._catalogue = catalogue
        self._layout = layout
        self._lock = threading.Lock()
        self._whole: dict[tuple[str, int, int, int], str] = {}

    def check(self, files: Iterable[str]) -> list[Path]:
        """Hold files against the hashes that the catalogue has of them.

        Args:
            files: Names relative to the library.

        Returns:
            Their paths, in order.

        Raises:
            TraceDamaged: One is not what was written.
            FileNotFoundError: One is gone: packed meanwhile, or lost.
        """
        names = list(files)
        paths = [self._layout.absolute(name) for name in names]
        keys = [self._key(path) for path in paths]
        with self._lock:
            waiting = [n for n, key in enumerate(keys) if key not in self._whole]
        if waiting:
            self._hash([names[n] for n in waiting], [paths[n] for n in waiting], [keys[n] for n in waiting])
        return paths

    @staticmethod
    def _key(path: Path) -> tuple[str, int, int, int]:
        facts = path.stat()
        return str(path), facts.st_size, facts.st_mtime_ns, facts.st_ino

    def _hash(self, names: Sequence[str], paths: Sequence[Path], keys: Sequence[tuple[str, int, int, int]]) -> None:
        sql = "SELECT file, sha256 FROM catalogue.trace_file WHERE file IN (SELECT unnest(?::VARCHAR[]))"
        with self._catalogue.reader() as cursor:
            stated = {str(file): str(sha256) for file, sha256 in rows(cursor, sql, [list(names)])}
        if len(paths) == 1:
            found = [durable.hash_file(paths[0])]
        else:
            with ThreadPoolExecutor(_AT_ONCE, thread_name_prefix="hash") as pool:
                found = list(pool.map(durable.hash_file, paths))
        for name, path, key, sha256 in zip(names, paths, keys, found, strict=True):
            if name not in stated:
                raise FileNotFoundError(str(path))  # packed meanwhile: look again
            if sha256 != stated[name]:
                raise TraceDamaged(
                    f"{name} is not what was written: its SHA-256 differs. `joulebook verify --repair` makes it again "
                    "from its original."
                )
            with self._lock:
                self._whole[key] = sha256
