"""The Delta tables at a target, as one bench writes them: read, added to, replaced, committed again after a race.

Source of the form: the Delta transaction log protocol, https://github.com/delta-io/delta/blob/master/PROTOCOL.md.
Knows the tables' library and the target; no catalogue.
"""

from __future__ import annotations

import json
import random
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from deltalake import DeltaTable, Schema, write_deltalake
from deltalake.exceptions import CommitFailedError, DeltaError, TableNotFoundError
from deltalake.transaction import AddAction, RemoveAction, create_table_with_add_actions

from store.files.traces import arrow_schema
from store.sharing.exports import EXPORT_SCHEMA, EXPORTS
from store.sharing.facts import FACT_TABLES, Block
from store.sharing.target import ShareRefused, Target
from store.version import __version__
from store.words.clock import now_utc

__all__ = ["SAMPLES", "SHARE_FORMAT", "BenchState", "SharedTables", "SharedTrace"]

SHARE_FORMAT = 1
"""Raised where a reader of today could not read what is written."""

SAMPLES = "samples"
_BENCHES = "benches"
_TRIES = 12
_EXPORTS_AT_ONCE = 64

_BENCH_SCHEMA = pa.schema(
    [
        ("bench", pa.string()),
        ("library_uid", pa.string()),
        ("generation", pa.string()),
        ("shared_at", pa.timestamp("us", "UTC")),
        ("program_version", pa.string()),
        ("format", pa.int32()),
        ("versions", pa.string()),
        ("contents", pa.string()),
    ]
)


@dataclass(frozen=True, slots=True)
class BenchState:
    """What the target knows of a bench."""

    library_uid: str
    generation: str
    versions: dict[str, int]
    """Version of each table that together are this generation."""
    contents: dict[str, str]
    """Hash of each block of facts, by `table/block`."""


@dataclass(frozen=True, slots=True)
class SharedTrace:
    """A trace file of the library, and where it lies among the samples."""

    file: str
    sha256: str
    size: int

    def shared_as(self, bench: str) -> str:
        """Path below the samples' folder: one engine takes a partition's value from it."""
        return f"bench={bench}/{self.sha256}.parquet"


class SharedTables:
    """The Delta tables at a target, as one bench writes them."""

    def __init__(self, target: Target, bench: str) -> None:
        self.target = target
        self.bench = bench

    def _open(self, name: str) -> DeltaTable | None:

        try:
            if self.target.is_local and not Path(self.target.table(name)).is_dir():
                return None
            return DeltaTable(self.target.table(name))
        except TableNotFoundError:
            return None
        except DeltaError as error:
            raise ShareRefused(f"{self.target.table(name)} is not a table of a shared library: {error}.") from error

    def exists(self, name: str) -> bool:
        """Whether there is such a table."""
        return self._open(name) is not None

    def version(self, name: str) -> int:
        """The table's newest version."""
        table = self._open(name)
        return -1 if table is None else int(table.version())

    def are_there(self, versions: Mapping[str, int]) -> bool:
        """Whether every table still has the version that was committed."""
        return all(self.version(name) >= version for name, version in versions.items())

    def state(self) -> BenchState | None:
        """What the target says of this bench; None where it has not been shared.

        Raises:
            ShareRefused: A newer program shared it, or the tables are not ours.
        """
        table = self._open(_BENCHES)
        if table is None:
            return None
        if not set(_BENCH_SCHEMA.names) <= {column.name for column in table.schema().fields}:
            raise ShareRefused(
                f"{self.target.table(_BENCHES)} is not a table of a shared library. Name an empty place."
            )
        found = table.to_pyarrow_table(filters=[("bench", "=", self.bench)]).to_pylist()
        if not found:
            return None
        row = found[0]
        if row["format"] > SHARE_FORMAT:
            raise ShareRefused(
                f"{self.target} was shared by a newer Joulebook ({row['program_version']}). Update first."
            )
        return BenchState(
            row["library_uid"], row["generation"], json.loads(row["versions"]), json.loads(row["contents"])
        )

    def shared_traces(self) -> dict[str, int]:
        """Traces of this bench that the samples table holds: path below the table to bytes."""
        table = self._open(SAMPLES)
        if table is None:
            return {}
        actions = pa.table(table.get_add_actions(flatten=True))
        pairs = zip(actions.column("path").to_pylist(), actions.column("size_bytes").to_pylist(), strict=True)
        return {path: size for path, size in pairs if path.startswith(f"bench={self.bench}/")}

    def put_trace(self, source: Path, trace: SharedTrace) -> None:
        """Copy a trace there unless it lies there already."""
        path = f"{SAMPLES}/{trace.shared_as(self.bench)}"
        if self.target.size_of(path) != trace.size:
            self.target.put(source, path, trace.sha256)

    def commit_traces(self, new: Sequence[tuple[SharedTrace, Path]], gone: Mapping[str, int]) -> int:
        """Add and remove traces in one commit; the table's version then."""
        schema = Schema.from_arrow(_samples_schema())
        moment = int(time.time() * 1000)
        adds = [
            AddAction(t.shared_as(self.bench), t.size, {"bench": self.bench}, moment, True, _statistics(path))
            for t, path in new
        ]
        removes = [RemoveAction(path, True, moment, size, {"bench": self.bench}) for path, size in gone.items()]

        def commit() -> None:
            table = self._open(SAMPLES)
            if table is None:
                self.target.prepare(SAMPLES)
                create_table_with_add_actions(
                    self.target.table(SAMPLES), schema, adds, mode="error", partition_by=["bench"]
                )
            elif adds or removes:
                table.create_write_transaction([*adds, *removes], "append", schema, ["bench"])

        _retried(commit)
        return self.version(SAMPLES)

    def shared_exports(self) -> set[str]:
        """Hashes of this bench's exports that are there."""
        table = self._open(EXPORTS)
        if table is None:
            return set()
        found = table.to_pyarrow_table(columns=["sha256"], filters=[("bench", "=", self.bench)])
        return set(found.column("sha256").to_pylist())

    def commit_exports(self, batches: Callable[[], Iterator[pa.RecordBatch]], gone: Sequence[str]) -> None:
        """Add exports, and take those away whose runs are deleted; `batches` is asked anew after a race."""
        address = self.target.table(EXPORTS)

        def add() -> None:
            self.target.prepare(EXPORTS)
            reader = pa.RecordBatchReader.from_batches(EXPORT_SCHEMA, batches())
            write_deltalake(
                address, reader, mode="append", partition_by=["bench"],
                configuration={"delta.dataSkippingNumIndexedCols": "3"},
            )  # fmt: skip

        _retried(add)
        for first in range(0, len(gone), 1000):
            listed = ", ".join(f"'{sha256}'" for sha256 in gone[first : first + 1000])

            def take_away(listed: str = listed) -> None:
                table = self._open(EXPORTS)
                if table is not None:
                    table.delete(f"bench = '{self.bench}' AND sha256 IN ({listed})")

            _retried(take_away)

    def benches(self) -> dict[str, str]:
        """Every bench that shares here, and the id of its library.

        Raises:
            ShareRefused: The tables are none of ours.
        """
        table = self._open(_BENCHES)
        if table is None:
            raise ShareRefused(f"{self.target} holds no shared library.")
        self.state()
        found = table.to_pyarrow_table(columns=["bench", "library_uid"]).to_pylist()
        return {str(row["bench"]): str(row["library_uid"]) for row in found}

    def rows_of(self, name: str, columns: list[str] | None = None) -> pa.Table:
        """This bench's rows of a table; an empty one where there is no such table."""
        table = self._open(name)
        if table is None:
            return pa.table({column: pa.array([], pa.string()) for column in columns or ()})
        return table.to_pyarrow_table(columns=columns, filters=[("bench", "=", self.bench)])

    def exports(self, wanted: Sequence[str]) -> Iterator[pa.RecordBatch]:
        """Rows of exports that were shared, by hash and piece, one export at a time."""
        table = self._open(EXPORTS)
        if table is None:
            return
        data = table.to_pyarrow_dataset()
        for first in range(0, len(wanted), _EXPORTS_AT_ONCE):
            some = pc.field("sha256").isin(list(wanted[first : first + _EXPORTS_AT_ONCE]))
            found = data.to_table(filter=(pc.field("bench") == self.bench) & some)
            yield from found.sort_by([("sha256", "ascending"), ("piece", "ascending")]).to_batches()

    def write(self, name: str, blocks: Sequence[Block], *, emptied: Sequence[int] = ()) -> None:
        """Put blocks of rows in the place of what this bench had there."""
        numbers = [*(block.number for block in blocks), *emptied]
        data = pa.concat_tables([block.rows for block in blocks]) if blocks else None
        self._replace(
            name, data, f"bench = '{self.bench}' AND block IN ({', '.join(map(str, numbers))})", ["bench", "block"]
        )

    def commit_state(self, state: BenchState) -> None:
        """Say which versions are this bench's generation: the last commit of all."""
        row = {
            "bench": self.bench,
            "library_uid": state.library_uid,
            "generation": state.generation,
            "shared_at": now_utc(),
            "program_version": __version__,
            "format": SHARE_FORMAT,
            "versions": json.dumps(state.versions, sort_keys=True),
            "contents": json.dumps(state.contents, sort_keys=True),
        }
        self._replace(_BENCHES, pa.Table.from_pylist([row], schema=_BENCH_SCHEMA), f"bench = '{self.bench}'", ["bench"])

    def _replace(self, name: str, data: pa.Table | None, where: str, partitions: list[str]) -> None:

        address = self.target.table(name)

        def commit() -> None:
            table = self._open(name)
            if table is None:
                self.target.prepare(name)
                if data is not None:
                    write_deltalake(address, data, mode="error", partition_by=partitions)
            elif data is None or not data.num_rows:
                table.delete(where)
            else:
                write_deltalake(
                    table, data, mode="overwrite", predicate=where, partition_by=partitions, schema_mode="merge"
                )

        _retried(commit)

    def tidy(self, *, compact: bool, keep_days: float | None) -> None:
        """Merge small files of the fact tables, and remove files that no version kept needs."""
        for name in (*FACT_TABLES, _BENCHES, EXPORTS, SAMPLES):
            table = self._open(name)
            if table is None:
                continue
            if compact and name not in {SAMPLES, EXPORTS}:  # traces stay as they are: packing is the library's business
                _retried(table.optimize.compact)
            if keep_days is not None:
                hours = max(int(keep_days * 24), 0)
                table.vacuum(hours, dry_run=False, enforce_retention_duration=False)


def _samples_schema() -> pa.Schema:
    return pa.schema([*arrow_schema(), pa.field("bench", pa.string())])


def _statistics(path: Path) -> str:
    """Rows, and least and largest run number and time, as the log holds them, from the trace's own footer."""
    with path.open("rb") as file:
        metadata = pq.read_metadata(file)
    least: dict[str, float] = {}
    largest: dict[str, float] = {}
    nulls: dict[str, int] = {}
    for index in range(metadata.num_columns):
        name = metadata.schema.column(index).name
        groups = [metadata.row_group(n).column(index).statistics for n in range(metadata.num_row_groups)]
        if any(group is None or group.null_count is None for group in groups):
            continue
        nulls[name] = sum(group.null_count for group in groups)
        held = [group for group in groups if group.has_min_max]
        if held and all(group.has_min_max or group.num_values == 0 for group in groups):
            least[name] = min(group.min for group in held)
            largest[name] = max(group.max for group in held)
    return json.dumps({"numRecords": metadata.num_rows, "minValues": least, "maxValues": largest, "nullCount": nulls})


def _retried(commit: Callable[[], Any]) -> None:
    """Commit, and again where another bench committed meanwhile; each wait is longer, and of chance."""
    for attempt in range(_TRIES):
        try:
            commit()
        except (CommitFailedError, DeltaError) as error:
            is_race = isinstance(error, CommitFailedError) or "already exists" in str(error)
            if not is_race or attempt == _TRIES - 1:
                raise ShareRefused(
                    f"The tables could not be committed: {error}. Nothing of it counts; share again."
                ) from error
            time.sleep(random.uniform(0.02, 0.1) * 2 ** min(attempt, 5))  # noqa: S311 (only spreads the tries)
        else:
            return
