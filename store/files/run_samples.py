"""One run's samples straight from its rows in a trace file: no engine plans a query for what is known to lie there.

Knows Parquet and the order of rows in a trace; no catalogue.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from importers.schema import TRACE_COLUMNS
from store.errors import TraceDamaged

__all__ = ["RunReader", "row_groups"]

_KEPT_FOOTERS = 8
_DO = "Run `joulebook verify`."
_TIME = TRACE_COLUMNS.index("t_s")


class RunReader:
    """Reads runs, and keeps the footers of the files read last: a pack's is large, and a trace file never changes."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._footers: OrderedDict[tuple[Path, int, int, int], pq.FileMetaData] = OrderedDict()

    def read(self, path: Path, run_id: int, rows: range, columns: Sequence[str], span: tuple[float, float]) -> pa.Table:
        """A run's samples within a span of time, in order; row groups wholly outside it are not read.

        Args:
            path: The trace file.
            run_id: The run.
            rows: Its rows in the file.
            columns: Columns wanted, in order.
            span: From and to [s], both included.

        Raises:
            TraceDamaged: The file can't be read, or other rows lie there.
            FileNotFoundError: It is gone: packed meanwhile, or lost.
        """
        try:
            return pa.concat_tables([_nothing(columns), *self._pieces(path, run_id, rows, columns, span)])
        except FileNotFoundError:
            raise
        except (pa.ArrowException, OSError) as error:
            raise TraceDamaged(f"{path} can't be read: {str(error).rstrip('.')}. {_DO}") from error

    def _pieces(
        self, path: Path, run_id: int, rows: range, columns: Sequence[str], span: tuple[float, float]
    ) -> Iterator[pa.Table]:
        read = list(dict.fromkeys(("run_id", "t_s", *columns)))
        footer = self._footer(path)
        if rows.stop > footer.num_rows:
            raise TraceDamaged(f"{path} holds {footer.num_rows} samples, fewer than run {run_id} needs. {_DO}")
        with (
            path.open("rb") as source,
            pq.ParquetFile(source, metadata=footer, page_checksum_verification=True) as file,
        ):
            for number, first, count in row_groups(footer, rows):
                if not _meets(footer.row_group(number), span):
                    continue
                table = file.read_row_group(number, columns=read).slice(first, count)
                if pc.min_max(table["run_id"]).as_py() != {"min": run_id, "max": run_id}:
                    raise TraceDamaged(f"In {path}, samples of another run stand where run {run_id} should. {_DO}")
                yield _within(table, span).select(list(columns))

    def _footer(self, path: Path) -> pq.FileMetaData:
        """The footer of a file, read anew where the file is another."""
        facts = path.stat()
        key = (path, facts.st_mtime_ns, facts.st_size, facts.st_ino)
        with self._lock:
            found = self._footers.get(key)
            if found is not None:
                self._footers.move_to_end(key)
                return found
        with path.open("rb") as source:
            found = pq.read_metadata(source)
        with self._lock:
            self._footers[key] = found
            while len(self._footers) > _KEPT_FOOTERS:
                self._footers.popitem(last=False)
        return found


def _nothing(columns: Sequence[str]) -> pa.Table:
    return pa.schema([pa.field(n, pa.int64() if n == "run_id" else pa.float64()) for n in columns]).empty_table()


def row_groups(footer: pq.FileMetaData, rows: range) -> Iterator[tuple[int, int, int]]:
    """Row groups that hold some of a file's rows: number, first row wanted in the group, how many."""
    start = 0
    for number in range(footer.num_row_groups):
        size = footer.row_group(number).num_rows
        begin, end = max(rows.start - start, 0), min(rows.stop - start, size)
        start += size
        if begin < end:
            yield number, begin, end - begin


def _meets(group: pq.RowGroupMetaData, span: tuple[float, float]) -> bool:
    """Whether a row group may hold a time of the span."""
    told = group.column(_TIME).statistics
    return told is None or not told.has_min_max or (told.max >= span[0] and told.min <= span[1])


def _within(table: pa.Table, span: tuple[float, float]) -> pa.Table:
    """Rows of the span."""
    t_s = table["t_s"]
    ends = pc.min_max(t_s).as_py()
    if ends["min"] >= span[0] and ends["max"] <= span[1]:
        return table
    return table.filter(pc.and_(pc.greater_equal(t_s, span[0]), pc.less_equal(t_s, span[1])))
