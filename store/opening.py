"""A library is made, opened, and brought to today's schema."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TypeVar
from uuid import uuid4

from store.catalogue import migrations, pending
from store.catalogue.connection import Catalogue, rows
from store.catalogue.lock import locks_work
from store.catalogue.schema_check import check_objects
from store.core import Store
from store.errors import DiskFault, DiskWithoutLocks, NotALibrary
from store.files import durable
from store.files.layout import Layout
from store.version import __version__
from store.words.clock import now_utc, system_zone

__all__ = [
    "check_locks",
    "create_store",
    "open_store",
    "place_first_catalogue",
    "refuse_missing",
    "start",
    "write_first_schema",
]

S = TypeVar("S", bound=Store)

_ODD_SIGNS = ("?",) if os.sep == "\\" else ("?", "\\")
"""Signs in a path that DuckDB takes for options of the file, or for a separator."""


def create_store(kind: type[S], path: str | Path, *, zone: str = "system", who: str | None = None) -> S:
    """Make a new, empty library: see `Library.create`."""
    store = kind(Path(path).expanduser(), who=who)
    root = store.layout.root
    if root.exists() and not root.is_dir():
        raise NotALibrary(f"{root} is a file; a library is a folder. Name another path.")
    odd = [sign for sign in _ODD_SIGNS if sign in str(root.resolve())]
    if odd:
        raise NotALibrary(f"{root} can't hold a library: the engine opens no file below a name with {odd[0]}.")
    try:
        if store.layout.catalogue.exists():
            raise NotALibrary(f"{root} holds a library already.")
        if root.exists() and any(entry.name != "tmp" for entry in root.iterdir()):
            raise NotALibrary(f"{root} is not empty and holds no library. Name an empty or a new folder.")
        for folder in store.layout.folders():
            durable.make_folder(folder)
    except OSError as error:
        raise DiskFault.of(error, "Making the library") from error
    check_locks(store)
    place_first_catalogue(store, zone)
    return open_store(kind, root, who=who)


def open_store(kind: type[S], path: str | Path, *, create: bool = False, who: str | None = None) -> S:
    """Open a library: see `Library.open`."""
    if "://" in str(path):
        raise NotALibrary(
            f"{path} is no folder: a library lives on a disk. `joulebook share` writes its tables to a "
            "bucket, where other engines read them."
        )
    store = kind(Path(path).expanduser(), who=who)
    if not store.layout.catalogue.exists():
        if create:
            return create_store(kind, path, who=who)
        refuse_missing(store.layout)
    start(store)
    return store


def place_first_catalogue(store: Store, zone: str) -> None:
    """Make the catalogue under a temporary name: one that was cut off half made must never be taken for whole."""
    layout = store.layout
    fresh = durable.new_temporary(layout.tmp, ".duckdb")
    log = fresh.with_name(fresh.name + ".wal")
    shadow = Store(store.path, who=store.who, catalogue=Catalogue(fresh, log))
    try:
        write_first_schema(shadow, zone)
        shadow.catalogue.fold_in()
        with fresh.open("rb+") as file:
            os.fsync(file.fileno())
        durable.place(fresh, layout.catalogue)
        durable.fsync_folder(layout.root)
    except OSError as error:
        raise DiskFault.of(error, "Making the library") from error
    finally:
        for path in (fresh, log, fresh.with_name(fresh.name + ".before")):
            durable.remove(path, announce=False)


def write_first_schema(store: Store, zone: str = "system") -> None:
    """Make the tables of an empty catalogue."""
    with store.catalogue.writer() as cursor:
        if migrations.schema_version(cursor) == 0:
            migrations.create_schema(cursor, 0)
            facts = {
                "library_uid": uuid4().hex,
                "zone": system_zone() if zone == "system" else zone,
                "created_at": now_utc().isoformat(),
                "created_by": __version__,
            }
            for key, value in facts.items():
                cursor.execute("INSERT INTO catalogue.meta VALUES (?, ?)", [key, value])


def start(store: Store) -> None:
    """Bring a library to today's schema, and its catalogue up to its journal; sweep what a cut-off import left."""
    try:
        for folder in store.layout.folders():
            durable.make_folder(folder)
        durable.sweep(store.layout.tmp)
        store.layout.move_older_queries()
    except OSError:
        pass  # a library on a read-only disk can still be read
    check_locks(store)
    kept = migrations.migrate(store.catalogue, store.layout)
    if kept:
        store.notices.append(f"The library was brought to today's schema; a copy from before is {kept.name}.")
    _catch_up(store)
    with store.catalogue.reader() as cursor:
        check_objects(cursor, store.layout.catalogue, slow=True)
        facts = dict(rows(cursor, "SELECT key, value FROM catalogue.meta"))
    store.zone = str(facts.get("zone", "UTC"))


def check_locks(store: Store) -> None:
    """Refuse a disk on which a lock keeps nobody out.

    Raises:
        DiskWithoutLocks: It is one.
    """
    try:
        works = locks_work(durable.new_temporary(store.layout.tmp, ".probe"))
    except OSError:
        return  # read-only: nobody writes here
    if not works:
        raise DiskWithoutLocks.of(store.path)


def _catch_up(store: Store) -> None:
    """Bring a catalogue that is older than its journal up to it, and say so."""
    journal = store.catalogue.journal
    if journal is None or not journal.folder.is_dir():
        return
    from store.catalogue.journal import catch_up, is_behind

    with store.catalogue.reader() as cursor:
        if not is_behind(cursor, journal):
            return
    store.catalogue.keeps_journal = False
    try:
        with store.catalogue.writer() as cursor:
            count, _ = catch_up(cursor, journal)
            pending.note(cursor, "true")
    finally:
        store.catalogue.keeps_journal = True
    if count:
        store.notices.append(
            f"The catalogue of {store.path} is older than the library's journal: {count} changes were applied "
            "again. Run `joulebook verify --repair` to take in traces that it lacks, then `joulebook recompute`."
        )


def refuse_missing(layout: Layout) -> None:
    """Say why a folder is no library, and what to do.

    Raises:
        NotALibrary: Always.
    """
    root = layout.root
    if root.exists() and not root.is_dir():
        raise NotALibrary(f"{root} is a file; a library is a folder. Name another path.")
    if layout.runs.is_dir():
        raise NotALibrary(
            f"{root} holds traces but no catalogue. Run `joulebook rebuild` to make it again from the traces."
        )
    raise NotALibrary(
        f"There is no library at {root}. `joulebook demo` makes one to look at; importing a file makes an empty one."
    )
