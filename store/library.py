"""A library: one folder that holds everything, and all that one can do with it.

The way in to the rest of this package; each method is one or two calls to the module that does the work, loaded when it
is first needed, so that a list of runs starts without what imports and judges. All methods
are safe to call from worker threads; nothing holds the catalogue between calls.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self, TypeVar
from uuid import uuid4

import duckdb

from importers.schema import Facts
from store.care.upkeep import Upkeep
from store.catalogue import migrations, pending
from store.catalogue.connection import Catalogue, rows
from store.catalogue.lock import locks_work
from store.catalogue.schema_check import check_objects
from store.devices.bench_desk import BenchDesk
from store.devices.views import DeviceViews
from store.errors import DiskFault, DiskWithoutLocks, LibraryTooNew, NotALibrary, StoreError
from store.files import durable
from store.files.checked import TraceChecks
from store.files.layout import Layout
from store.model.records import Amendment, Answer, IngestOutcome
from store.runs import listing
from store.runs.reading import Looking, TraceEngine
from store.sql.session import Query, SqlSession
from store.sql.view_source import ViewSource
from store.version import __version__
from store.words.clock import now_utc, system_user, system_zone

if TYPE_CHECKING:
    from store.care.rebuild import RebuildReport
    from store.imports.add import Imports
    from store.imports.job import ImportJob
    from store.imports.known_runs import KnownRuns
    from store.imports.many_jobs import ImportBatch

__all__ = ["Library"]

T = TypeVar("T")

_ODD_SIGNS = ("?",) if os.sep == "\\" else ("?", "\\")
"""Signs in a path that DuckDB takes for options of the file, or for a separator."""


class Library(Looking, Upkeep, BenchDesk, DeviceViews):
    """An open library. Make one with `Library.open` or `Library.create`."""

    def __init__(self, path: Path, *, who: str | None = None, catalogue: Catalogue | None = None) -> None:
        self.layout = Layout(path)
        self.catalogue = catalogue or Catalogue(self.layout.catalogue, self.layout.wal, journal=self.layout.journal)
        self.catalogue.may_write = self._check_schema
        self.who = who or system_user()
        self.zone = "UTC"
        self._desk = SqlSession(self.layout.root / "traces")
        self._traces = TraceEngine()
        self.checks = TraceChecks(self.catalogue, self.layout)
        """Which trace files were held against their hashes."""
        self._source = ViewSource(self.catalogue, self.checks, self.verdict_table)
        self.loose_traces = 0
        self.known: KnownRuns | None = None
        """What imports know of the runs that are there."""
        """Traces of one run each, as of this process's last import."""

    def __enter__(self) -> Self:
        """The library itself: nothing is held between calls, so leaving has nothing to let go of."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave; what was stored stays stored."""

    # making and opening

    @classmethod
    def create(cls, path: str | Path, *, zone: str = "system", who: str | None = None) -> Self:
        """Make a new, empty library.

        Args:
            path: Its folder; made if missing, must hold nothing else.
            zone: IANA name of the zone in which local times of exports are read; `system` for this machine's.
            who: Name under which changes are recorded; the system's user where None.

        Raises:
            NotALibrary: There is a file of that name, or the folder holds other things.
            DiskFault: It can't be written.
        """
        library = cls(Path(path).expanduser(), who=who)
        root = library.layout.root
        if root.exists() and not root.is_dir():
            raise NotALibrary(f"{root} is a file; a library is a folder. Name another path.")
        odd = [sign for sign in _ODD_SIGNS if sign in str(root.resolve())]
        if odd:
            raise NotALibrary(f"{root} can't hold a library: the engine opens no file below a name with {odd[0]}.")
        try:
            if library.layout.catalogue.exists():
                raise NotALibrary(f"{root} holds a library already.")
            if root.exists() and any(entry.name != "tmp" for entry in root.iterdir()):
                raise NotALibrary(f"{root} is not empty and holds no library. Name an empty or a new folder.")
            for folder in library.layout.folders():
                durable.make_folder(folder)
        except OSError as error:
            raise DiskFault.of(error, "Making the library") from error
        library._check_locks()
        library._place_first_catalogue(zone)
        return cls.open(root, who=who)

    @classmethod
    def restore(cls, file: str | Path, path: str | Path, *, progress: Callable[[int, int], None] | None = None) -> Self:
        """Unpack a backup into a new folder and open it.

        Raises:
            NotALibrary: No backup, or the folder is not empty.
            TraceDamaged: A file in it isn't what was archived.
        """
        from store.care import backup

        backup.restore(Path(file), Path(path).expanduser(), progress)
        return cls.open(path)

    @classmethod
    def rebuilt(
        cls, path: str | Path, *, who: str | None = None, progress: Callable[[int, int], None] | None = None
    ) -> tuple[Self, RebuildReport]:
        """Rebuild a library whose catalogue is lost or can't be read, and open it."""
        library = cls(Path(path).expanduser(), who=who)
        if not library.layout.runs.is_dir():
            raise NotALibrary(_no_library(library.layout))
        from store.care.rebuild import rebuild

        report = rebuild(library, progress)
        library._start()
        return library, report

    def _place_first_catalogue(self, zone: str) -> None:
        """Make the catalogue under a temporary name: one that was cut off half made must never be taken for whole."""
        layout = self.layout
        fresh = durable.new_temporary(layout.tmp, ".duckdb")
        log = fresh.with_name(fresh.name + ".wal")
        shadow = type(self)(self.path, who=self.who, catalogue=Catalogue(fresh, log))
        try:
            shadow.write_first_schema(zone)
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

    def write_first_schema(self, zone: str = "system") -> None:
        """Make the tables of an empty catalogue."""
        with self.catalogue.writer() as cursor:
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

    @classmethod
    def open(cls, path: str | Path, *, create: bool = False, who: str | None = None) -> Self:
        """Open a library; an older one is brought to today's schema, keeping a copy.

        Args:
            path: Its folder.
            create: Make it if there is none.
            who: Name under which changes are recorded; the system's user where None.

        Raises:
            NotALibrary: There is none.
            LibraryTooNew: A newer program made it.
            LibraryBusy: Another process holds it.
            CatalogueDamaged: Its catalogue can't be read.
        """
        if "://" in str(path):
            raise NotALibrary(
                f"{path} is no folder: a library lives on a disk. `joulebook share` writes its tables to a "
                "bucket, where other engines read them."
            )
        library = cls(Path(path).expanduser(), who=who)
        layout = library.layout
        if not layout.catalogue.exists():
            if create:
                return cls.create(path, who=who)
            raise NotALibrary(_no_library(layout))
        library._start()
        return library

    def _start(self) -> None:
        try:
            for folder in self.layout.folders():
                durable.make_folder(folder)
            durable.sweep(self.layout.tmp)
            self.layout.move_older_queries()
        except OSError:
            pass  # a library on a read-only disk can still be read
        self._check_locks()
        kept = migrations.migrate(self.catalogue, self.layout)
        if kept:
            self.catalogue.notices.append(
                f"The library was brought to today's schema; a copy from before is {kept.name}."
            )
        self._catch_up()
        with self.catalogue.reader() as cursor:
            check_objects(cursor, self.layout.catalogue, slow=True)
            facts = dict(rows(cursor, "SELECT key, value FROM catalogue.meta"))
        self.zone = str(facts.get("zone", "UTC"))

    def _check_locks(self) -> None:
        try:
            works = locks_work(durable.new_temporary(self.layout.tmp, ".probe"))
        except OSError:
            return  # read-only: nobody writes here
        if not works:
            raise DiskWithoutLocks.of(self.path)

    def _catch_up(self) -> None:
        """Bring a catalogue that is older than its journal up to it, and say so."""
        journal = self.catalogue.journal
        if journal is None or not journal.folder.is_dir():
            return
        from store.catalogue.journal import catch_up, is_behind

        with self.catalogue.reader() as cursor:
            if not is_behind(cursor, journal):
                return
        self.catalogue.keeps_journal = False
        try:
            with self.catalogue.writer() as cursor:
                count, _ = catch_up(cursor, journal)
                pending.note(cursor, "true")
        finally:
            self.catalogue.keeps_journal = True
        if count:
            self.catalogue.notices.append(
                f"The catalogue of {self.path} is older than the library's journal: {count} changes were applied "
                "again. Run `joulebook verify --repair` to take in traces that it lacks, then `joulebook recompute`."
            )

    def _check_schema(self, cursor: duckdb.DuckDBPyConnection) -> None:
        """Refuse to write where a newer program has migrated the library meanwhile."""
        found = migrations.schema_version(cursor)
        if found > migrations.LATEST:
            raise LibraryTooNew.of(self.path, found, migrations.LATEST)

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

    # import

    @property
    def imports(self) -> Imports:
        """Exports into the library: `library.imports.add(paths, facts)`."""
        from store.imports.add import Imports

        return Imports(self)

    def begin_import(self, path: str | Path, facts: Facts | None = None, *, is_own: bool = False) -> ImportJob:
        """Begin to import one file: a context manager that hashes it and takes its runs.

        A log that was imported before and has grown since takes the place of its shorter version, whose facts, note,
        group and pairs it keeps; `part` takes that back.

        Args:
            path: The file.
            facts: What holds for its runs.
            is_own: True to make it a run of its own even if it is a longer version of another.

        Raises (on entering):
            DiskFault: The file can't be read.
        """
        from store.imports.job import ImportJob

        return ImportJob(self, Path(path), facts or Facts(), is_own=is_own)

    def import_batch(
        self,
        *,
        every_files: int = 128,
        every_s: float = 5.0,
        reserve: int = 0,
        on_committed: Callable[[Path, IngestOutcome], None] | None = None,
    ) -> ImportBatch:
        """Import many files, several per transaction: see `ImportBatch`."""
        from store.imports.many_jobs import ImportBatch

        return ImportBatch(self, every_files=every_files, every_s=every_s, reserve=reserve, on_committed=on_committed)

    def import_pack(self, path: str | Path, progress: Callable[[int, int], None] | None = None) -> IngestOutcome:
        """Take in a Parquet pack of whole runs with their facts in its footer (see `store.care.packs.write_pack`).

        Devices and meters are looked up for the results: save their sheets first, or `recompute` afterwards.

        Args:
            path: The pack; it is copied.
            progress: Told how many runs of how many are reduced.

        Raises:
            TraceDamaged: No pack, or its footer and rows disagree.
            WrongFact: Some of its runs are in the library, some not.
        """
        from store.care import packs

        return packs.import_pack(self, Path(path), progress)

    def after_import(self) -> None:
        """Pack when too many traces are loose; what was imported is safe whatever becomes of that."""
        from store.care.repack import LOOSE_LIMIT

        if self.loose_traces > LOOSE_LIMIT:
            try:
                self.pack()
            except StoreError as error:
                self.notices.append(f"Packing was put off: {error}")

    # SQL

    def query(self, sql: str, *, limit: int | None = 10_000, timeout_s: float | None = None) -> Query:
        """A query in SQL over the views, not yet run: `.run()`, and `.interrupt()` from any thread.

        Args:
            sql: One reading statement.
            limit: Most rows of the answer; None for all.
            timeout_s: Most time [s]; None for any.

        Raises:
            QueryRefused: Not one reading statement.
            QueryFailed: No SQL.
        """
        return Query(self._desk, self._source, sql, limit=limit, timeout_s=timeout_s)

    def sql(self, sql: str, *, limit: int | None = 10_000, timeout_s: float | None = None) -> Answer:
        """Run and wait: see `query`."""
        return self.query(sql, limit=limit, timeout_s=timeout_s).run()

    def views(self) -> dict[str, list[tuple[str, str]]]:
        """Columns and types of every view, by name."""
        return {name: list(outline.columns) for name, outline in self._source.outlines().items()}

    def amendments(self, table_name: str | None = None, keys: Sequence[str] | None = None) -> tuple[Amendment, ...]:
        """Changes of facts, the oldest first; of one table and keys where given."""
        with self.catalogue.reader() as cursor:
            return listing.load_amendments(cursor, table_name, keys)


def _no_library(layout: Layout) -> str:
    root = layout.root
    if root.exists() and not root.is_dir():
        return f"{root} is a file; a library is a folder. Name another path."
    if layout.runs.is_dir():
        return f"{root} holds traces but no catalogue. Run `joulebook rebuild` to make it again from the traces."
    return f"There is no library at {root}. `joulebook demo` makes one to look at; importing a file makes an empty one."
