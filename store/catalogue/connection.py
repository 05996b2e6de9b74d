"""The catalogue file: who may read or write it when, and for how long.

Owns DuckDB. DuckDB lets one process write, or several read, so nothing is held while idle: a reader attaches the
file, reads and lets go (1 ms); a writer attaches, commits, lets go; either waits its turn. Knows nothing of runs.
"""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb

from store.catalogue.engine_errors import explain, first_line, holder, is_busy, is_fatal
from store.catalogue.every_value import read_every_value
from store.catalogue.journal import Journal
from store.catalogue.kept_blocks import KeptBlocks, open_unlocked
from store.catalogue.lock import pause, recovering, turn
from store.catalogue.log_check import checkpoints_of_file, checkpoints_of_log, passes_over_commits
from store.catalogue.marks import mark_of
from store.catalogue.schema_check import check_objects
from store.errors import CatalogueDamaged, DiskFault, LibraryBusy, NotALibrary
from store.files import durable

__all__ = ["Catalogue", "locked_engine", "rows"]

WAIT_S = 10.0
"""How long a process waits for its turn before it says who holds the catalogue."""

_MEMORY_NAME = "catalogue"


def rows(cursor: duckdb.DuckDBPyConnection, sql: str, values: object = None) -> list[Any]:
    """Run one statement and fetch every row."""
    found: list[Any] = cursor.execute(sql, values).fetchall()
    return found


def _locked(place: Path) -> duckdb.DuckDBPyConnection:
    """An engine that opens files of this folder alone and loads no extension."""
    engine = duckdb.connect(":memory:")
    folders = {str(path) for path in (place, place.resolve())}
    listed = ", ".join("'" + name.replace("'", "''") + "'" for name in sorted(folders))
    for setting in (
        "python_enable_replacements = false",
        "autoinstall_known_extensions = false",
        "autoload_known_extensions = false",
        "allow_community_extensions = false",
        "temp_directory = ''",
        f"allowed_directories = [{listed}]",
        "enable_external_access = false",
    ):
        engine.execute(f"SET {setting}")
    return engine


@contextmanager
def locked_engine(file: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """An engine for a catalogue that is not trusted: it opens files beside it alone and loads no extension."""
    engine = _locked(file.parent)
    try:
        yield engine
    finally:
        engine.close()


class _Gate:
    """Several readers or one writer among this process's threads; writers go first.

    The lock that DuckDB takes belongs to the process (POSIX), so threads must agree among themselves: all opening and
    closing of one catalogue in one process passes here.
    """

    def __init__(self) -> None:
        self.turn = threading.Condition()
        self.readers = 0
        self.writing = False
        self.writers_waiting = 0
        self.changing = False
        self.host: duckdb.DuckDBPyConnection | None = None
        self.handles: list[int] = []
        """Handles of the file beside the engine's own, closed when it has let go."""
        self.checked: tuple[int, ...] = ()
        """Facts of the two files when what they hold was last compared with our own schema."""
        self.is_host_broken = False
        """After some errors the engine refuses everything that follows: then it is started anew."""


_gates: dict[Path, _Gate] = {}
_gates_lock = threading.Lock()
# The one piece of module state: two Library objects on one folder must share the process's single file lock.


def _gate_of(path: Path) -> _Gate:
    with _gates_lock:
        return _gates.setdefault(path, _Gate())


class Catalogue:
    """One catalogue file, attached only while something is read or written.

    Inside `reader()` and `writer()` its tables are named `catalogue.<table>`.
    """

    def __init__(self, path: Path, wal: Path, *, wait_s: float = WAIT_S, journal: Path | None = None) -> None:
        self.path = path
        self.wal = wal
        self.wait_s = wait_s
        self.notices: list[str] = []
        """Sentences about what had to be put right, for the caller to show."""
        self.may_write: Callable[[duckdb.DuckDBPyConnection], None] = lambda _: None
        """Asked inside every writing transaction, before anything is written; raises where one must not write."""
        self._gate = _gate_of(path.resolve())
        self._blocks = KeptBlocks(path, wal)
        self.journal = Journal(journal) if journal is not None else None
        self.keeps_journal = True
        """False while the catalogue is brought up to its journal."""
        self._then: list[Callable[[], None]] = []

    def generation(self) -> int:
        """A number that changes with every commit by any process; costs two stats.

        0 where there is no catalogue.
        """
        return mark_of(self.path, self.wal).number

    @contextmanager
    def reader(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """A cursor that reads the catalogue; let go of it soon.

        Raises:
            LibraryBusy: Another process writes for longer than we wait.
            CatalogueDamaged: The file can't be read.
        """
        gate = self._gate
        with gate.turn:
            self._wait(lambda: not gate.writing and not gate.writers_waiting and not gate.changing)
            is_first = gate.readers == 0
            if is_first:
                gate.changing = True
            else:
                gate.readers += 1
        if is_first:
            self._change(lambda: self._attach(read_only=True), readers=1)
        cursor = self._host().cursor()
        try:
            yield cursor
        except duckdb.Error as error:
            self._gate.is_host_broken |= is_fatal(error)
            explain(error, self.path)
            raise
        finally:
            cursor.close()
            self._leave_reader()

    def _leave_reader(self) -> None:
        gate = self._gate
        with gate.turn:
            gate.readers -= 1
            if gate.readers == 0:
                self._detach()
            gate.turn.notify_all()

    @contextmanager
    def writer(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """A cursor inside one transaction: committed on leaving, rolled back on an exception.

        Raises:
            LibraryBusy: Another process holds the file for longer than we wait.
            DiskFault: The disk refused; nothing was changed.
        """
        with self.exclusive() as cursor:
            self._then.clear()
            cursor.execute("BEGIN TRANSACTION")
            durable.step("begin", self.path)
            is_kept = False
            try:
                self.may_write(cursor)
                yield cursor
                is_kept = self._keep(cursor)
                durable.step("commit", self.path)
            except BaseException:
                self._give_up(cursor, is_kept=is_kept)
                raise
            try:
                self._commit(cursor)
            except BaseException:
                self._give_up(cursor, is_kept=is_kept)
                raise
            if is_kept and self.journal is not None:
                self.journal.done()
            if self.wal.exists():
                durable.fsync_folder(self.path.parent)  # the engine flushes its new log, not the folder that names it
            durable.step("committed", self.path)
            try:
                cursor.execute("CHECKPOINT catalogue")
            except duckdb.Error:  # the commit is durable in the log; the next writer folds it in
                self._gate.is_host_broken = True
            for act in self._then:
                act()
            self._then.clear()

    def once_committed(self, act: Callable[[], None]) -> None:
        """Inside `writer()`: do something after its commit, before anybody else reads or writes the catalogue."""
        self._then.append(act)

    def _keep(self, cursor: duckdb.DuckDBPyConnection) -> bool:
        """Write what only the catalogue holds to the journal, before the commit; whether there was something."""
        if self.journal is None or not self.keeps_journal:
            return False
        before = self._host().cursor()
        try:
            return self.journal.prepare(before, cursor)
        except OSError:
            self.journal.undo()
            raise
        finally:
            before.close()

    def _give_up(self, cursor: duckdb.DuckDBPyConnection, *, is_kept: bool) -> None:
        with suppress(duckdb.Error):
            cursor.execute("ROLLBACK")
        if is_kept and self.journal is not None:
            self.journal.undo()

    def _commit(self, cursor: duckdb.DuckDBPyConnection) -> None:
        try:
            cursor.execute("COMMIT")
        except duckdb.Error as error:
            with suppress(duckdb.Error):
                cursor.execute("ROLLBACK")
            raise DiskFault(
                f"Storing in the catalogue {self.path} failed: {first_line(error)}. Fix that and rerun the same "
                "command: nothing is left half done, and nothing is done twice."
            ) from error

    @contextmanager
    def exclusive(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """A cursor on the catalogue attached for writing, with no transaction begun."""
        gate = self._gate
        with gate.turn:
            gate.writers_waiting += 1
            try:
                self._wait(lambda: not gate.writing and gate.readers == 0 and not gate.changing)
                gate.writing = True
            finally:
                gate.writers_waiting -= 1
                gate.turn.notify_all()
        try:
            with open_unlocked(self.path) as handle:
                self._attach(read_only=False)
                try:
                    with self._attached(handle) as cursor:
                        yield cursor
                finally:
                    self._detach()
                    gate.checked = mark_of(self.path, self.wal).facts  # what changed it was ours
        finally:
            with gate.turn:
                gate.writing = False
                gate.turn.notify_all()

    @contextmanager
    def _attached(self, handle: int | None) -> Iterator[duckdb.DuckDBPyConnection]:
        """A cursor of the attached catalogue; what the engine or the disk refuses becomes an error of ours."""
        gate = self._gate
        cursor = self._host().cursor()
        try:
            if handle is not None:
                self._blocks.keep(cursor, handle)
            yield cursor
        except duckdb.Error as error:
            gate.is_host_broken = True
            explain(error, self.path)
            if not isinstance(error, duckdb.IOException):
                raise
            raise DiskFault(f"Writing the catalogue {self.path} failed: {first_line(error)}.") from error
        except DiskFault:
            gate.is_host_broken = True
            raise
        except OSError as error:
            raise DiskFault.of(error, "Writing") from error
        finally:
            cursor.close()

    def fold_in(self) -> None:
        """Bring what only the log holds into the file, so that the file alone is the catalogue.

        Raises:
            DiskFault: The disk refused; file and log are as they were.
        """
        with self.exclusive() as cursor:
            durable.step("fold-in", self.path)
            try:
                cursor.execute("CHECKPOINT catalogue")
            except duckdb.Error as error:
                raise DiskFault(f"Writing the catalogue {self.path} failed: {first_line(error)}.") from error
        if self.wal.exists():
            raise DiskFault(f"Writing the catalogue {self.path} failed: its log {self.wal.name} can't be folded in.")

    def copy_to(self, target: Path, tmp: Path) -> None:
        """Make a consistent copy of the catalogue as a new file, in memory that does not grow with it.

        The bytes are copied while a reader keeps writers out; then the log is folded in and every value read once.

        Args:
            target: The copy; must not exist.
            tmp: Folder for the unfinished copy, on the same file system.

        Raises:
            DiskFault: The disk refused; nothing is left of the copy.
            CatalogueDamaged: The catalogue can't be read.
        """
        unfinished = durable.new_temporary(tmp, ".duckdb")
        log = unfinished.with_name(unfinished.name + ".wal")
        try:
            with self.reader():
                durable.step("copy", unfinished)
                self._copy_bytes(self.path, unfinished)
                if self.wal.exists():
                    self._copy_bytes(self.wal, log)
            self._settle_copy(unfinished, log)
            durable.place(unfinished, target)
            durable.fsync_folder(target.parent)
        except OSError as error:
            raise DiskFault.of(error, f"Copying the catalogue {self.path}") from error
        finally:
            durable.remove(unfinished, announce=False)
            durable.remove(log, announce=False)

    def _copy_bytes(self, source: Path, target: Path) -> None:
        handle = os.open(source, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        with self._gate.turn:
            self._gate.handles.append(handle)  # closed here, it would drop the engine's lock: see `open_unlocked`
        with durable.named(target), os.fdopen(handle, "rb", closefd=False) as taken, target.open("xb") as copy:
            shutil.copyfileobj(taken, copy, 1 << 20)
            copy.flush()
            durable.step("fsync", target)
            os.fsync(copy.fileno())

    def _settle_copy(self, copy: Path, log: Path) -> None:
        """Fold the log of a copy in, and read every value: a damaged page is found here, not when it is needed."""
        quoted = str(copy).replace("'", "''")
        options = "" if log.exists() else "(READ_ONLY)"
        try:
            with locked_engine(copy) as engine:
                engine.execute(f"ATTACH '{quoted}' AS copied {options}")
                if log.exists():
                    engine.execute("CHECKPOINT copied")
                read_every_value(engine, "copied")
                engine.execute("DETACH copied")
        except duckdb.Error as error:
            if log.exists() and isinstance(error, duckdb.IOException):
                raise DiskFault(f"Copying the catalogue {self.path} failed: {first_line(error)}.") from error
            raise CatalogueDamaged.of(self.path, first_line(error)) from error
        if log.exists():
            raise DiskFault(f"Copying the catalogue {self.path} failed: its log {self.wal.name} can't be folded in.")

    def _change(self, attach: Callable[[], None], *, readers: int) -> None:
        gate = self._gate
        try:
            attach()
        except BaseException:
            with gate.turn:
                gate.changing = False
                gate.turn.notify_all()
            raise
        with gate.turn:
            gate.changing = False
            gate.readers = readers
            gate.turn.notify_all()

    def _wait(self, is_free: Callable[[], bool]) -> None:
        if not self._gate.turn.wait_for(is_free, timeout=self.wait_s):
            raise LibraryBusy.held_by(self.path.parent, "another task of this program", self.wait_s)

    def _host(self) -> duckdb.DuckDBPyConnection:
        """The in-memory database that catalogues are attached to: making one costs 35 ms, attaching 1 ms."""
        if self._gate.host is None:
            host = _locked(self.path.parent)
            host.execute(
                "SET late_materialization_max_rows = 5000"
            )  # a page of 500 wide rows: 38 ms without, 17 ms with
            self._gate.host = host
        return self._gate.host

    def _attach(self, *, read_only: bool) -> None:
        if read_only and not self.path.exists():
            raise NotALibrary(f"{self.path.parent} holds no library: there is no {self.path.name}.")
        deadline = time.monotonic() + self.wait_s
        with turn(self.path.parent, alone=not read_only, until=deadline):
            tries = 0
            while not self._try_attach("(READ_ONLY)" if read_only else "", is_last=time.monotonic() >= deadline):
                pause(min(tries, 8))
                tries += 1

    def _try_attach(self, options: str, *, is_last: bool) -> bool:
        """False where another process holds the file, or something was put right: try again."""
        where = str(self.path).replace("'", "''")
        self._keep_passed_over(where)
        try:
            self._host().execute(f"ATTACH '{where}' AS {_MEMORY_NAME} {options}")
        except duckdb.Error as error:
            if is_busy(error):
                if is_last:
                    raise LibraryBusy.held_by(self.path.parent, holder(error), self.wait_s) from error
            elif "wal file" in str(error).casefold() and self.wal.exists():
                self._move_wal_aside(str(error))
            elif not self._put_blocks_back():
                explain(error, self.path)
                raise CatalogueDamaged.of(self.path, first_line(error)) from error
            return False
        self._check_objects()
        return True

    def _put_blocks_back(self) -> bool:
        """Whether a catalogue that does not open was put right: the power failed while its log was folded in."""
        before = mark_of(self.path, self.wal).facts
        with suppress(OSError), recovering(self._blocks.path) as is_alone:
            if not is_alone or mark_of(self.path, self.wal).facts != before:
                return True  # another process puts it right, or has: try again
            aside = self._blocks.put_back(self._tmp)
            if aside is not None:
                self.notices.append(
                    f"The program or the machine stopped while the catalogue of {self.path.parent} was written. It was "
                    f"restored from the blocks kept beside it; nothing that was stored is missing. What was there is "
                    f"kept as {aside.name}."
                )
                return True
        return False

    def _check_objects(self) -> None:
        """Hold what the file holds against our own schema, unless it is as it was when that was done last."""
        facts = mark_of(self.path, self.wal).facts
        if facts == self._gate.checked:
            return
        try:
            cursor = self._host().cursor()
            try:
                check_objects(cursor, self.path)
            finally:
                cursor.close()
        except BaseException as error:
            self._detach()
            if isinstance(error, duckdb.Error):
                explain(error, self.path)
                raise CatalogueDamaged.of(self.path, first_line(error)) from error
            raise
        self._gate.checked = facts

    def _detach(self) -> None:
        gate = self._gate
        try:
            self._host().execute(f"DETACH {_MEMORY_NAME}")
        except duckdb.Error:
            gate.is_host_broken = True
        if gate.is_host_broken and gate.host is not None:
            gate.host.close()
            gate.host = None
        gate.is_host_broken = False
        while gate.handles:
            os.close(gate.handles.pop())

    def _aside(self) -> Path:
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
        return self.wal.with_name(f"{self.wal.name}.unreadable-{stamp}")

    def _log(self) -> bytes:
        try:
            return self.wal.read_bytes()
        except OSError:
            return b""

    def _keep_passed_over(self, where: str) -> None:
        """Keep a copy of a log that the engine would pass over silently, and say so.

        There is a log only while a process writes or after one was killed: it is looked at twice, the second time
        while nobody can write.
        """
        log = self._log()
        if log and self._is_older(log):
            self._move_older_aside(where, log)
            return
        if not passes_over_commits(log):
            return
        try:
            self._host().execute(f"ATTACH '{where}' AS {_MEMORY_NAME} (READ_ONLY)")
        except duckdb.Error:
            return  # busy, or unreadable: whoever attaches next finds out
        try:
            is_settled = self._log() == log
        finally:
            self._detach()
        kept = list(self.wal.parent.glob(f"{self.wal.name}.unreadable-*"))
        if not is_settled or any(path.stat().st_size == len(log) and path.read_bytes() == log for path in kept):
            return
        aside = self._aside()
        with suppress(OSError), durable.HashingFile(aside) as copy:  # a read-only disk keeps the log itself
            copy.write(log)
            copy.commit()
        self.notices.append(
            f"The write-ahead log of {self.path.parent} is damaged and can be replayed in part at best; a copy is "
            f"{aside.name}. Changes that were only in it are missing: run `joulebook rebuild` to bring runs back."
        )

    def _is_older(self, log: bytes) -> bool:
        """Whether a log was begun before the catalogue's last checkpoint: what it tells of it is in it."""
        of_log = checkpoints_of_log(log)
        try:
            with self.path.open("rb") as file:  # nobody in this process has it open: see the gate
                of_file = checkpoints_of_file(file.read(3 * 4096))
        except OSError:
            return False
        return of_log is not None and of_file is not None and of_log < of_file

    def _move_older_aside(self, where: str, log: bytes) -> None:
        """Keep the engine from replaying a log of an older state, which a sync or a copy of files left beside it."""
        try:
            self._host().execute(f"ATTACH '{where}' AS {_MEMORY_NAME} (READ_ONLY)")
        except duckdb.Error as error:
            if is_busy(error):
                return  # a checkpoint is under way
        else:
            self._detach()
        folder = self.path.parent / "set_aside"
        aside = folder / self._aside().name.replace("unreadable", "older")
        try:
            if self._log() != log or not self._is_older(log) or not self._blocks.newest_header_holds(self._tmp):
                return
            durable.make_folder(folder)
            durable.place(self.wal, aside)
        except OSError:
            return
        self.notices.append(
            f"A log of an older state lay beside the catalogue of {self.path.parent}; it was not applied and is kept "
            f"as set_aside/{aside.name}. Run `joulebook verify`."
        )

    @property
    def _tmp(self) -> Path:
        return self.path.parent / "tmp"

    def _move_wal_aside(self, cause: str) -> None:
        aside = self._aside()
        durable.place(self.wal, aside)
        self.notices.append(
            f"The write-ahead log of {self.path.parent} could not be replayed ({first_line(cause)}); it was moved to "
            f"{aside.name}. Changes that were only in it are missing: run `joulebook rebuild` to bring runs back."
        )
