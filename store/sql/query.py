"""SQL that a person types: one reading statement over the views, with a row limit and a time limit.

What it needs of the catalogue's views is copied into memory and the catalogue is let go at once (`view_source`); the
answer is computed in a DuckDB of its own that can open the traces and nothing else. Knows DuckDB; no screen.
"""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa

from store.errors import QueryFailed, QueryRefused, TraceDamaged
from store.model.records import Answer
from store.sql.view_source import Outline, ViewSource
from store.sql.views import COMPUTED_VIEWS, VIEWS

__all__ = ["Query", "QueryEngine", "check_reading", "named_views"]

_LOOKS_AROUND = re.compile(
    r"\b(show|information_schema|duckdb_\w+|pragma_\w+|sqlite_\w+|pg_\w+|query|query_table|columns|summarize)\b",
    re.IGNORECASE,
)
_TRIES = 4
_POINTER = re.compile(r"LINE (\d+): (.*)\n( *)\^")


def check_reading(parser: duckdb.DuckDBPyConnection, sql: str) -> None:
    """Refuse a text that is not one reading statement.

    Args:
        parser: Any cursor: the text is only parsed; closed on return.
        sql: The text.

    Raises:
        QueryRefused: Empty, several, or not reading.
        QueryFailed: No SQL.
    """
    try:
        statements = parser.extract_statements(sql)
    except duckdb.Error as error:
        raise explained(error, sql) from error
    finally:
        parser.close()
    if not statements:
        raise QueryRefused("There is no statement. Type a SELECT over the views, for instance: SELECT * FROM runs")
    if len(statements) > 1:
        raise QueryRefused(f"One statement at a time: these are {len(statements)}.")
    try:
        kind = statements[0].type
    except ValueError:  # a kind that the engine's Python part has no name for
        raise QueryRefused("Only SELECT statements are allowed.") from None
    if kind != duckdb.StatementType.SELECT:
        raise QueryRefused(f"Only SELECT statements are allowed, not {kind.name.replace('_', ' ')}.")


def named_views(sql: str) -> set[str]:
    """The views that a text may be about: every one whose name stands in it, or all where it looks around."""
    every = {*VIEWS, *COMPUTED_VIEWS}
    if _LOOKS_AROUND.search(sql):
        return every
    words = {word.lower() for word in re.findall(r"[A-Za-z_]+", sql)}
    return every & words


def _place_of_name(text: str, sql: str) -> int | None:
    """Where the name that the complaint is about first stands in the query."""
    named = re.search(r'"([^"]+)"|(?:with name|Function) (\w+)', text)
    if not named:
        return None
    place = re.search(rf"\b{re.escape(named[1] or named[2])}\b", sql, re.IGNORECASE)
    return place.start() if place else None


def explained(error: duckdb.Error, sql: str) -> QueryFailed:
    """The engine's complaint as one of ours, with the place in the text."""
    text = str(error)
    found = _POINTER.search(text)
    position = None
    if found:
        line, shown, spaces = int(found[1]), found[2], len(found[3]) - len(f"LINE {found[1]}: ")
        lines = sql.splitlines() or [""]
        before = sum(len(part) + 1 for part in lines[: line - 1])
        full = lines[min(line, len(lines)) - 1]
        start = full.find(shown.strip(".")[:20]) if shown.startswith("...") else 0
        position = min(before + max(start, 0) + max(spaces - (3 if shown.startswith("...") else 0), 0), len(sql))
    else:
        position = _place_of_name(text, sql)
    message = text.split("\n\nLINE", 1)[0].strip()
    return QueryFailed(re.sub(r"^(\w+ )?Error: ", "", message) or text, position=position)


def _plain_integers(table: pa.Table) -> pa.Table:
    """Sums of integers as 64-bit integers where they fit: the engine gives them as 38-digit decimals."""
    for index, field in enumerate(table.schema):
        if pa.types.is_decimal(field.type) and field.type.scale == 0:
            try:
                table = table.set_column(index, field.name, table.column(index).cast(pa.int64()))
            except pa.ArrowInvalid:
                continue  # too large for 64 bits: it stays what it is
    return table


def _projections(plan: Any) -> set[str]:
    """Columns that scans in an engine's plan hand on."""
    found: set[str] = set()
    waiting = list(plan)
    while waiting:
        node = waiting.pop()
        told = (node.get("extra_info") or {}).get("Projections", [])
        found.update([told] if isinstance(told, str) else told)
        waiting += node.get("children") or []
    return found


class QueryEngine:
    """The DuckDB in which people's queries run: it can open this library's traces and nothing else."""

    def __init__(self, traces: Path) -> None:
        self._traces = traces
        self._lock = threading.Lock()
        self._database: duckdb.DuckDBPyConnection | None = None

    def cursor(self) -> duckdb.DuckDBPyConnection:
        """A cursor of its own for one query."""
        with self._lock:
            if self._database is None:
                self._database = self._open()
            return self._database.cursor()

    def columns_needed(self, sql: str, outlines: Mapping[str, Outline]) -> set[str]:
        """Columns that the engine's plan reads, of whatever view; more where a name stands in the text.

        Args:
            sql: One reading statement.
            outlines: The views that it may be about.
        """
        every = {column for outline in outlines.values() for column, _ in outline.columns}
        cursor = self.cursor()
        try:
            for name, outline in outlines.items():
                cursor.register(name, outline.empty)
            plan = json.loads(str(cursor.execute(f"EXPLAIN (FORMAT json) {sql}").fetchall()[0][1]))
        except (duckdb.BinderException, duckdb.CatalogException):
            return set()  # the query itself will fail the same way, and say where
        except (duckdb.Error, ValueError):
            return every
        finally:
            cursor.close()
        words = {word.lower() for word in re.findall(r"\w+", sql)}
        return (every & words) | (every & _projections(plan))

    def _open(self) -> duckdb.DuckDBPyConnection:
        database = duckdb.connect(":memory:")
        folder = str(self._traces.resolve()).replace("'", "''")
        for setting in (
            "python_enable_replacements = false",
            "autoinstall_known_extensions = false",
            "autoload_known_extensions = false",
            "allow_community_extensions = false",
            "late_materialization_max_rows = 5000",
            "parquet_metadata_cache = true",
            "temp_directory = ''",
            f"allowed_directories = ['{folder}']",
            "enable_external_access = false",
            "lock_configuration = true",
        ):
            database.execute(f"SET {setting}")
        return database


class Query:
    """One query: run once, from any thread; interrupted from any other."""

    def __init__(
        self,
        desk: QueryEngine,
        source: ViewSource,
        sql: str,
        *,
        limit: int | None = 10_000,
        timeout_s: float | None = None,
    ) -> None:
        """Check the text; nothing runs yet.

        Args:
            desk: Where it runs.
            source: Gives what it reads of the views.
            sql: One reading statement.
            limit: Most rows of the answer; None for all.
            timeout_s: Most time [s]; None for any.

        Raises:
            QueryRefused: Not one reading statement.
            QueryFailed: No SQL.
        """
        check_reading(desk.cursor(), sql)
        self.sql = sql
        self.limit = limit
        self.timeout_s = timeout_s
        self._desk = desk
        self._source = source
        self._lock = threading.Lock()
        self._cursor: duckdb.DuckDBPyConnection | None = None
        self._stopped = ""
        self._ended = threading.Event()

    def run(self) -> Answer:
        """Run it and fetch the answer, one row more than the limit to know whether it was cut.

        Raises:
            QueryFailed: Wrong, interrupted or out of time.
        """
        started = time.monotonic()
        timer = threading.Timer(self.timeout_s, self._out_of_time) if self.timeout_s else None
        if timer:
            timer.daemon = True
            timer.start()
        try:
            for _ in range(_TRIES):
                try:
                    table, is_cut = self._try()
                    break
                except (duckdb.IOException, FileNotFoundError) as error:
                    moved = error  # a trace was packed between our looking it up and opening it: look again
                    self._check_stopped(error)
            else:
                if isinstance(moved, FileNotFoundError):
                    raise TraceDamaged(
                        f"{moved.filename or moved} is missing. Run `joulebook verify --repair`."
                    ) from moved
                raise explained(moved, self.sql) from moved
        except duckdb.Error as error:
            self._check_stopped(error)
            raise explained(error, self.sql) from error
        finally:
            self._ended.set()
            if timer:
                timer.cancel()
        return Answer(table, is_cut, time.monotonic() - started)

    def _try(self) -> tuple[pa.Table, bool]:
        cursor = self._desk.cursor()
        try:
            self._prepare(cursor)
            with self._lock:
                self._cursor = cursor
                self._check_stopped()
            return self._fetch(cursor)
        finally:
            with self._lock:
                self._cursor = None
            cursor.close()

    def _prepare(self, cursor: duckdb.DuckDBPyConnection) -> None:
        names = named_views(self.sql)
        if not names:
            return
        outlines = {name: outline for name, outline in self._source.outlines().items() if name in names}
        if _LOOKS_AROUND.search(self.sql):
            columns = {column for outline in outlines.values() for column, _ in outline.columns}
        else:
            columns = self._desk.columns_needed(self.sql, outlines)
        for name, held in self._source.load(names, columns).items():
            if isinstance(held, str):
                cursor.execute(f"CREATE TEMP VIEW {name} AS {held}")
            elif held.column_names == [column for column, _ in outlines[name].columns]:
                cursor.register(name, held)
            else:
                cursor.register(f"{name}_held", held)
                cursor.execute(
                    f"CREATE TEMP VIEW {name} AS {outlines[name].filled_up(f'{name}_held', held.column_names)}"
                )

    def _fetch(self, cursor: duckdb.DuckDBPyConnection) -> tuple[pa.Table, bool]:
        reader = cursor.sql(self.sql).to_arrow_reader(20_000)
        batches, count = [], 0
        for batch in reader:
            batches.append(batch)
            count += batch.num_rows
            if self.limit is not None and count > self.limit:
                break
            self._check_stopped()
        table = pa.Table.from_batches(batches, schema=reader.schema)
        if self.limit is not None and count > self.limit:
            return _plain_integers(table.slice(0, self.limit)), True
        return _plain_integers(table), False

    def interrupt(self) -> None:
        """Stop it; safe from any thread, before, during and after."""
        self._stop("Interrupted.")

    def _out_of_time(self) -> None:
        self._stop(f"Stopped after {self.timeout_s:g} s, its time limit.")

    def _stop(self, reason: str) -> None:
        with self._lock:
            is_first = not self._stopped
            self._stopped = self._stopped or reason
        if is_first:
            threading.Thread(target=self._insist, daemon=True).start()

    def _insist(self) -> None:
        """Interrupt until it has ended: the engine forgets an interrupt that comes just before it starts to work."""
        while True:
            with self._lock:
                if self._cursor is None:  # not yet begun: it looks for itself; or between two tries
                    return
                self._cursor.interrupt()
            if self._ended.wait(0.05):
                return

    def _check_stopped(self, error: BaseException | None = None) -> None:
        if self._stopped:
            raise QueryFailed(self._stopped, was_interrupted=True) from error
