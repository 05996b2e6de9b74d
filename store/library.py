"""A library: one folder that holds everything, and all that one can do with it.

The way in to the rest of this package; each method is one or two calls to the module that does the work, loaded when it
is first needed, so that a list of runs starts without what imports and judges. All methods
are safe to call from worker threads; nothing holds the catalogue between calls.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Self, TypeVar
from uuid import uuid4

import duckdb
import pyarrow as pa

from importers.schema import Facts
from store import diskio, migrations, runs
from store.accounts import load_account
from store.bench_desk import BenchDesk
from store.catalogue import Catalogue, rows
from store.clock import now_utc, system_user, system_zone
from store.device_views import DeviceViews
from store.errors import DiskFault, LibraryTooNew, NotALibrary, StoreError, WrongFact
from store.layout import Layout
from store.model import (
    Amendment,
    Answer,
    FacetCount,
    IngestOutcome,
    ResultRow,
    RunPage,
    RunView,
    StripSet,
)
from store.questions import Question, QuestionDesk
from store.results.base import Result
from store.strips import strips_from_file
from store.upkeep import Upkeep
from store.version import __version__
from store.view_source import ViewSource

if TYPE_CHECKING:
    import polars as pl

    from store.ingest import ImportJob
    from store.ingest_batch import ImportBatch
    from store.rebuild import RebuildReport

__all__ = ["Library"]

T = TypeVar("T")


class Library(Upkeep, BenchDesk, DeviceViews):
    """An open library. Make one with `Library.open` or `Library.create`."""

    def __init__(self, path: Path, *, who: str | None = None, catalogue: Catalogue | None = None) -> None:
        self.layout = Layout(path)
        self.catalogue = catalogue or Catalogue(self.layout.catalogue, self.layout.wal)
        self.who = who or system_user()
        self.zone = "UTC"
        self._desk = QuestionDesk(self.layout.root / "traces")
        self._reading = threading.Lock()
        self._engine: duckdb.DuckDBPyConnection | None = None
        self._source = ViewSource(self.catalogue, self.layout, self.verdict_table)
        self.loose_traces = 0
        """Traces of one run each, as of this process's last import."""

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
        try:
            if library.layout.catalogue.exists():
                raise NotALibrary(f"{root} holds a library already.")
            if root.exists() and any(entry.name != "tmp" for entry in root.iterdir()):
                raise NotALibrary(f"{root} is not empty and holds no library. Name an empty or a new folder.")
            for folder in library.layout.folders():
                diskio.make_folder(folder)
        except OSError as error:
            raise DiskFault.of(error, "Making the library") from error
        library.write_first_schema(zone)
        return cls.open(root, who=who)

    @classmethod
    def restore(cls, file: str | Path, path: str | Path, *, progress: Callable[[int, int], None] | None = None) -> Self:
        """Unpack a backup into a new folder and open it.

        Raises:
            NotALibrary: No backup, or the folder is not empty.
            TraceDamaged: A file in it isn't what was archived.
        """
        from store import backup

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
        from store.rebuild import rebuild

        report = rebuild(library, progress)
        library._start()
        return library, report

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
                diskio.make_folder(folder)
            diskio.sweep(self.layout.tmp)
        except OSError:
            pass  # a library on a read-only disk can still be read
        kept = migrations.migrate(self.catalogue, self.layout)
        if kept:
            self.catalogue.notices.append(
                f"The library was brought to today's schema; a copy from before is {kept.name}."
            )
        with self.catalogue.reader() as cursor:
            facts = dict(rows(cursor, "SELECT key, value FROM catalogue.meta"))
        self.zone = str(facts.get("zone", "UTC"))

    def check_schema(self, cursor: duckdb.DuckDBPyConnection) -> None:
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

    def begin_import(self, path: str | Path, facts: Facts | None = None) -> ImportJob:
        """Begin to import one file: a context manager that hashes it and takes its runs.

        Raises (on entering):
            DiskFault: The file can't be read.
        """
        from store.ingest import ImportJob

        return ImportJob(self, Path(path), facts or Facts())

    def import_batch(
        self,
        *,
        every_files: int = 64,
        every_s: float = 5.0,
        reserve: int = 0,
        on_committed: Callable[[Path, IngestOutcome], None] | None = None,
    ) -> ImportBatch:
        """Import many files, several per transaction: see `ImportBatch`."""
        from store.ingest_batch import ImportBatch

        return ImportBatch(self, every_files=every_files, every_s=every_s, reserve=reserve, on_committed=on_committed)

    def import_pack(self, path: str | Path, progress: Callable[[int, int], None] | None = None) -> IngestOutcome:
        """Take in a Parquet pack of whole runs with their facts in its footer (see `store.packs.write_pack`).

        Devices and meters are looked up for the results: save their sheets first, or `recompute` afterwards.

        Args:
            path: The pack; it is copied.
            progress: Told how many runs of how many are reduced.

        Raises:
            TraceDamaged: No pack, or its footer and rows disagree.
            WrongFact: Some of its runs are in the library, some not.
        """
        from store import packs

        return packs.import_pack(self, Path(path), progress)

    def after_import(self) -> None:
        """Pack when too many traces are loose; what was imported is safe whatever becomes of that."""
        from store.repack import LOOSE_LIMIT

        if self.loose_traces > LOOSE_LIMIT:
            try:
                self.pack()
            except StoreError as error:
                self.notices.append(f"Packing was put off: {error}")

    # runs

    def runs(
        self,
        filter_text: str = "",
        *,
        sort: str = "-started_at",
        limit: int | None = 500,
        offset: int = 0,
        columns: Sequence[str] | None = None,
    ) -> RunPage:
        """A page of the list: rows of the `runs` view.

        Args:
            filter_text: A filter line such as `port:C1 mode:20V wh>50 -suspect`.
            sort: Columns of `runs`, `-` before one for the largest first.
            limit: Most rows; None for all.
            offset: Rows left out before them.
            columns: Columns wanted; all of `runs` where None, which takes longer.

        Raises:
            FilterError: A word that means nothing.
            NotFound: No such column.
        """
        with self.catalogue.reader() as cursor:
            return runs.list_runs(
                cursor, filter_text, sort=sort, limit=limit, offset=offset, zone=self.zone, columns=columns
            )

    def runs_frame(self, filter_text: str = "", *, sort: str = "-started_at") -> pl.DataFrame:
        """Every run that fits the filter, as a Polars frame."""
        import polars as pl

        frame = pl.from_arrow(self.runs(filter_text, sort=sort, limit=None).table)
        if not isinstance(frame, pl.DataFrame):
            raise TypeError(type(frame))
        return frame

    def facets(self, field: str, filter_text: str = "") -> list[FacetCount]:
        """Values of `port`, `mode`, `device`, `kind`, `meter` ... and how often each occurs under the filter."""
        with self.catalogue.reader() as cursor:
            return runs.count_facets(cursor, field, filter_text, self.zone)

    def run(self, run_id: int) -> RunView:
        """One run with results, events, provenance, amendments and preview.

        Raises:
            NotFound: No such run.
        """
        with self.catalogue.reader() as cursor:
            return runs.load_run(cursor, run_id)

    def results(self, run_id: int, *, superseded: bool = False) -> tuple[ResultRow, ...]:
        """Results of a run; with `superseded` also those that a later method replaced."""
        with self.catalogue.reader() as cursor:
            return runs.load_results(cursor, run_id, superseded=superseded)

    def why(self, run_id: int, name: str) -> Result:
        """How a result came about: formula, inputs, uncertainty budget.

        Raises:
            NotFound: No such run or result.
        """
        with self.catalogue.reader() as cursor:
            return load_account(cursor, run_id, name)

    def redo_sql(self, run_id: int, name: str) -> str:
        """SQL by which anyone gets a result again from the Parquet alone; see `results.why`."""
        from store.results.why import redo_sql

        file = self.layout.absolute(self.run(run_id).provenance.trace_file)
        return redo_sql(self.why(run_id, name), run_id, str(file.resolve()))

    def preview(self, run_id: int) -> StripSet:
        """The 120-bucket strips that were stored at import; opens no trace."""
        with self.catalogue.reader() as cursor:
            return runs.load_preview(cursor, run_id)

    def trace_place(self, run_id: int) -> tuple[Path, int, int, tuple[str, ...], float]:
        """Where a run's samples lie: file, first row, samples, channels, duration [s]."""
        with self.catalogue.reader() as cursor:
            file, first_row, samples, channels, duration_s = runs.trace_place(cursor, run_id)
        return self.layout.absolute(file), first_row, samples, channels, duration_s

    def strips(
        self,
        run_id: int,
        channels: Sequence[str] | None = None,
        from_s: float | None = None,
        to_s: float | None = None,
        buckets: int = 400,
    ) -> StripSet:
        """Minimum, mean and maximum per time bucket, from the trace.

        Args:
            run_id: The run.
            channels: Channels wanted; all that hold values where None.
            from_s: Begin of the span [s]; the first sample where None.
            to_s: End of the span [s]; the last sample where None.
            buckets: How many.
        """
        if buckets < 1:
            raise WrongFact("A strip needs one bucket or more.")

        def read() -> StripSet:
            path, _, _, there, duration_s = self.trace_place(run_id)
            span = (from_s if from_s is not None else 0.0, to_s if to_s is not None else duration_s)
            with self._cursor() as cursor:
                return strips_from_file(
                    cursor, str(path), run_id, runs.check_channels(channels, there), span=span, buckets=buckets
                )

        return self._again_if_moved(read)

    def samples(
        self, run_id: int, channels: Sequence[str] | None = None, from_s: float | None = None, to_s: float | None = None
    ) -> pa.Table:
        """A run's samples: `t_s` [s] and the channels, NULL where the meter gave none."""

        def read() -> pa.Table:
            path, _, _, there, _ = self.trace_place(run_id)
            chosen = runs.check_channels(channels, there)
            columns = ", ".join(f'"{name}"' for name in ("t_s", *chosen))
            low = from_s if from_s is not None else float("-inf")
            high = to_s if to_s is not None else float("inf")
            sql = f"SELECT {columns} FROM read_parquet(?) WHERE run_id = ? AND t_s BETWEEN ? AND ?"
            with self._cursor() as cursor:
                return cursor.sql(sql, params=[str(path), run_id, low, high]).to_arrow_table()

        return self._again_if_moved(read)

    def trace(self, run_id: int) -> pl.LazyFrame:
        """A run's samples as a Polars LazyFrame: `run_id`, `t_s` and every channel of the library."""
        import polars as pl

        path, first_row, count, _, _ = self.trace_place(run_id)
        return pl.scan_parquet(path, glob=False).slice(first_row, count)

    @contextmanager
    def _cursor(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """A cursor that reads traces; the catalogue is not attached to it."""
        with self._reading:
            if self._engine is None:
                self._engine = duckdb.connect(":memory:")
                self._engine.execute("SET python_enable_replacements = false")
                self._engine.execute("SET parquet_metadata_cache = true")  # a pack's footer is read once, not per run
            cursor = self._engine.cursor()
        try:
            yield cursor
        finally:
            cursor.close()

    def _again_if_moved(self, read: Callable[[], T]) -> T:
        """Read, and once more where the trace was packed between looking it up and opening it."""
        try:
            return read()
        except (duckdb.IOException, FileNotFoundError):
            return read()

    # SQL

    def question(self, sql: str, *, limit: int | None = 10_000, timeout_s: float | None = None) -> Question:
        """A question in SQL over the views, not yet run: `.run()`, and `.interrupt()` from any thread.

        Args:
            sql: One reading statement.
            limit: Most rows of the answer; None for all.
            timeout_s: Most time [s]; None for any.

        Raises:
            QueryRefused: Not one reading statement.
            QueryFailed: No SQL.
        """
        return Question(self._desk, self._source, sql, limit=limit, timeout_s=timeout_s)

    def sql(self, sql: str, *, limit: int | None = 10_000, timeout_s: float | None = None) -> Answer:
        """Ask and wait: see `question`."""
        return self.question(sql, limit=limit, timeout_s=timeout_s).run()

    def views(self) -> dict[str, list[tuple[str, str]]]:
        """Columns and types of every view, by name."""
        return {name: list(outline.columns) for name, outline in self._source.outlines().items()}

    def amendments(self, table_name: str | None = None, keys: Sequence[str] | None = None) -> tuple[Amendment, ...]:
        """Changes of facts, the oldest first; of one table and keys where given."""
        with self.catalogue.reader() as cursor:
            return runs.load_amendments(cursor, table_name, keys)


def _no_library(layout: Layout) -> str:
    root = layout.root
    if root.exists() and not root.is_dir():
        return f"{root} is a file; a library is a folder. Name another path."
    if layout.runs.is_dir():
        return f"{root} holds traces but no catalogue. Run `joulebook rebuild` to make it again from the traces."
    return f"There is no library at {root}. `joulebook demo` makes one to look at; importing a file makes an empty one."
