"""What a query reads: the columns that it needs of the views that it names, copied from the catalogue.

The catalogue is let go at once, so that a long query keeps nobody from writing. Which columns are needed is told by
the engine's own plan over tables of the same shape without rows. Knows the views; no query's text.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pyarrow as pa

from importers.schema import TRACE_COLUMNS
from store.catalogue.connection import Catalogue, rows
from store.files.checked import TraceChecks
from store.sql.views import COMPUTED_VIEWS, VIEW_ORDER, VIEWS

__all__ = ["Outline", "ViewSource", "samples_sql"]


@dataclass(frozen=True, slots=True)
class Outline:
    """A view's columns, with the engine's names of their types, and an Arrow table of that shape without rows."""

    columns: tuple[tuple[str, str], ...]
    empty: pa.Table

    def filled_up(self, held: str, there: Sequence[str]) -> str:
        """SELECT of every column, in order, from a table that holds some of them; the others as NULL."""
        parts = [_quoted(n) if n in there else f"CAST(NULL AS {kind}) AS {_quoted(n)}" for n, kind in self.columns]
        return f"SELECT {', '.join(parts)} FROM {held}"


class ViewSource:
    """The views of one library; safe to use from several threads."""

    def __init__(
        self,
        catalogue: Catalogue,
        checks: TraceChecks,
        verdicts: Callable[[], pa.Table],
        figures: Callable[[], pa.Table],
    ) -> None:
        self._catalogue = catalogue
        self._checks = checks
        self._verdicts = verdicts
        self._figures = figures
        self._lock = threading.Lock()
        self._outlines: dict[str, Outline] = {}
        self._kept: dict[str, pa.Table] = {}
        self._kept_generation = 0

    def outlines(self) -> Mapping[str, Outline]:
        """The shape of every view, in the order in which they are listed."""
        with self._lock:
            if self._outlines:
                return self._outlines
        found: dict[str, Outline] = {}
        with self._catalogue.reader() as cursor:
            for name, sql in VIEWS.items():
                found[name] = _outline(cursor.sql(f"SELECT * FROM ({sql}) LIMIT 0"))
            for name, columns in COMPUTED_VIEWS.items():
                nothing = ", ".join(f"CAST(NULL AS {kind}) AS {_quoted(column)}" for column, kind in columns)
                found[name] = _outline(cursor.sql(f"SELECT {nothing} LIMIT 0"))
        ordered = {name: found[name] for name in (*VIEW_ORDER, *[n for n in found if n not in VIEW_ORDER])}
        with self._lock:
            self._outlines = ordered
        return ordered

    def load(self, names: set[str], columns: set[str]) -> dict[str, pa.Table | str]:
        """The views named: as Arrow tables that hold at least the columns asked for, or as SQL over traces."""
        outlines = self.outlines()
        found: dict[str, pa.Table | str] = {}
        with self._catalogue.reader() as cursor:
            generation = self._catalogue.generation()  # nobody writes while we read: all is of one moment
            kept = self._kept_of(generation)
            for name in sorted(names & set(VIEWS)):
                wanted = {column for column, _ in outlines[name].columns if column in columns}
                held = kept.get(name)
                if held is None or not wanted <= set(held.column_names):
                    held = _read(cursor, name, [c for c, _ in outlines[name].columns if c in wanted])
                found[name] = held
            files = rows(cursor, "SELECT file FROM catalogue.trace_file ORDER BY trace_id")
        if "samples" in names:
            found["samples"] = samples_sql(self._checks.check([str(row[0]) for row in files]))
        if isinstance(held := found.get("results"), pa.Table) and held is not kept.get("results"):
            found["results"] = _with_devices(held, self._figures())
        if "verdicts" in names:  # with no reader held: it reads too, and would wait behind a waiting writer
            found["verdicts"] = kept["verdicts"] if "verdicts" in kept else self._verdicts()
        with self._lock:
            if generation == self._kept_generation:
                self._kept.update({name: table for name, table in found.items() if isinstance(table, pa.Table)})
        return found

    def _kept_of(self, generation: int) -> dict[str, pa.Table]:
        with self._lock:
            if generation != self._kept_generation:
                self._kept = {}
                self._kept_generation = generation
            return dict(self._kept)


def _with_devices(runs: pa.Table, devices: pa.Table) -> pa.Table:
    """Results of runs, then figures of devices as a whole, with the columns asked for; NULL for what they lack."""
    columns = [
        devices.column(field.name).cast(field.type)
        if field.name in devices.column_names
        else pa.nulls(devices.num_rows, field.type)
        for field in runs.schema
    ]
    return pa.concat_tables([runs, pa.table(columns, schema=runs.schema)])


def _quoted(name: str) -> str:
    return f'"{name}"'


def _outline(relation: duckdb.DuckDBPyRelation) -> Outline:
    columns = zip(relation.columns, [str(kind) for kind in relation.types], strict=True)
    return Outline(tuple(columns), relation.to_arrow_table())


def _read(cursor: duckdb.DuckDBPyConnection, name: str, columns: Sequence[str]) -> pa.Table:
    chosen = ", ".join(_quoted(column) for column in columns) or "1 AS one"  # a count needs rows, and no column
    return cursor.sql(f"SELECT {chosen} FROM ({VIEWS[name]})").to_arrow_table()


def samples_sql(files: Sequence[Path]) -> str:
    """SQL of the `samples` view over an explicit list of trace files."""
    columns = ", ".join(f'"{name}"' for name in TRACE_COLUMNS)
    if not files:
        nothing = ", ".join(f'CAST(NULL AS {"BIGINT" if n == "run_id" else "DOUBLE"}) AS "{n}"' for n in TRACE_COLUMNS)
        return f"SELECT {nothing} WHERE false"
    quoted = ", ".join("'" + str(path.resolve()).replace("'", "''") + "'" for path in files)
    return f"SELECT {columns} FROM read_parquet([{quoted}])"
