"""Another library's runs into this one: whole, by their uid, with everything that belongs to them.

Runs come in portions, each in one transaction: killed anywhere, whole runs came, and the same call again brings the
rest. Facts that both tell differently stay as they are here until a person, or `prefer`, says whose count.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import pyarrow as pa

from importers.schema import TRACE_COLUMNS
from store.catalogue import pending
from store.catalogue.connection import rows
from store.catalogue.numbers import next_trace_id, reserve_run_ids, trace_row
from store.catalogue.run_records import RunRecord, append_rows, footer_entry, numbered
from store.catalogue.shelved import renumbered, store_shelved
from store.devices.saved import load_devices
from store.errors import DiskFault, TraceDamaged
from store.files import durable
from store.files.traces import TraceWriter, WrittenTrace, read_samples
from store.runs.recompute import load_records
from store.sharing.colleague import Colleague, rename_devices, visit
from store.sharing.conflicts import Conflict, Prefer
from store.sharing.take_facts import take_facts, tie_runs

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["HeldBack", "TakeReport", "take"]

_IDENTITY = ("kind", "maker", "model", "serial")
_PORTION_SAMPLES = 10_000_000
_PORTION_RUNS = 500


@dataclass(frozen=True, slots=True)
class HeldBack:
    """A code that stands for two devices: runs of theirs stay there until one of them is renamed."""

    device: str
    difference: str
    """What the two sheets say differently of what the device is."""
    runs: int


@dataclass(frozen=True, slots=True)
class TakeReport:
    """What came, or would come."""

    source: str
    is_dry: bool
    runs: tuple[int, ...] = ()
    """Numbers here of the runs that came; in a dry run their numbers there."""
    known: int = 0
    """Runs that both have."""
    deleted_here: int = 0
    """Runs that were deleted here, and stay so."""
    devices: tuple[str, ...] = ()
    meters: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    """Profiles and saved queries that came."""
    amendments: int = 0
    damaged: tuple[str, ...] = ()
    """Sentences about runs that could not be taken because their trace or original is not what was stored."""
    conflicts: tuple[Conflict, ...] = ()
    settings: tuple[str, ...] = ()
    held_back: tuple[HeldBack, ...] = ()

    @property
    def open_conflicts(self) -> tuple[Conflict, ...]:
        """Those that wait for an answer."""
        return tuple(conflict for conflict in self.conflicts if not conflict.takes)


def take(
    library: Store,
    source: str | Path,
    *,
    bench: str | None = None,
    prefer: Prefer = Prefer.ASK,
    codes: Mapping[str, str] | None = None,
    is_dry: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> TakeReport:
    """Bring what another library has, and this one lacks, into this one.

    Args:
        library: This one.
        source: The other's folder, an archive of it, a place that it was shared to, or a pack of whole runs.
        bench: Where several share: which one.
        prefer: Whose word counts where both tell a fact differently.
        codes: Codes of their devices, each with its code here, where one code stands for two devices.
        is_dry: Look, and change nothing.
        progress: Told how many samples of how many came.

    Raises:
        NotALibrary: There is none.
        ShareRefused: It is this very library.
        CatalogueDamaged, LibraryTooNew: Its catalogue can't be read.
        DiskFault: A disk refused; whole runs came.
    """
    with visit(library, source, bench) as other:
        if codes:
            rename_devices(other, codes)
        with other.catalogue.reader() as cursor:
            records = load_records(cursor)
        with library.catalogue.reader() as cursor:
            here = {str(uid): int(run_id) for uid, run_id in rows(cursor, "SELECT uid, run_id FROM catalogue.run")}
            sql = "SELECT uid, run_id FROM catalogue.shelved_run"
            here |= {str(uid): int(run_id) for uid, run_id in rows(cursor, sql)}
            gone = {str(row[0]) for row in rows(cursor, "SELECT uid FROM catalogue.tombstone")}
        records = [r for r in records if r.facts.uid in here or not any(item.uid in here for item in r.shelved)]
        missing = [r for r in records if r.facts.uid not in here and r.facts.uid not in gone]
        held = _held_back(library, other, missing) if prefer is Prefer.ASK else ()
        apart = {item.device for item in held}
        missing = [r for r in missing if r.facts.device not in apart]
        report = TakeReport(
            other.name,
            is_dry,
            runs=tuple(sorted(r.facts.run_id for r in missing)) if is_dry else (),
            known=sum(r.facts.uid in here for r in records),
            deleted_here=sum(r.facts.uid in gone and r.facts.uid not in here for r in records),
            held_back=held,
        )
        # Sheets and meters first: a run that came is judged and recomputed by them.
        told = take_facts(library, other, prefer, is_dry=is_dry)
        report = replace(
            report,
            devices=told.devices,
            meters=told.meters,
            files=told.files,
            settings=told.settings,
            conflicts=told.conflicts,
        )
        if is_dry:
            return report
        taken, damaged = _take_runs(library, other, missing, progress)
        ties = tie_runs(library, other, taken, prefer)
        return replace(
            report,
            runs=taken,
            damaged=tuple(damaged),
            amendments=told.amendments + ties.amendments,
            conflicts=(*told.conflicts, *ties.conflicts),
        )


def _held_back(library: Store, other: Colleague, missing: Sequence[RunRecord]) -> tuple[HeldBack, ...]:
    """Devices whose code is taken here by a device of another kind, maker, model or serial number."""
    with other.catalogue.reader() as cursor:
        theirs = load_devices(cursor)
    with library.catalogue.reader() as cursor:
        mine = load_devices(cursor)
    held = []
    for device in sorted(set(mine) & set(theirs)):
        differing = [
            f"{name} {getattr(mine[device], name)} here, {getattr(theirs[device], name)} there"
            for name in _IDENTITY
            if getattr(mine[device], name)
            and getattr(theirs[device], name)
            and getattr(mine[device], name) != getattr(theirs[device], name)
        ]
        count = sum(record.facts.device == device for record in missing)
        if differing and count:
            held.append(HeldBack(device, ", ".join(differing), count))
    return tuple(held)


def _take_runs(
    library: Store,
    other: Colleague,
    missing: Sequence[RunRecord],
    progress: Callable[[int, int], None] | None,
) -> tuple[tuple[int, ...], list[str]]:
    """Bring runs, portion by portion; their numbers here, and what could not be taken."""
    sound, damaged = _sound(other, missing)
    total, done = sum(record.samples for record in sound), 0
    taken: list[int] = []
    for portion in _portions(sound):
        hidden = {item.uid: item for record in portion for item in record.shelved}
        first = reserve_run_ids(library, len(portion) + len(hidden))
        for number, (uid, item) in enumerate(hidden.items(), first + len(portion)):
            hidden[uid] = renumbered(item, number)
        ordered = [
            replace(record, shelved=tuple(hidden[item.uid] for item in record.shelved))
            for record in sorted(portion, key=lambda record: record.facts.run_id)
        ]
        numbers = {record.facts.run_id: first + index for index, record in enumerate(ordered)}
        try:
            _take_portion(library, other, ordered, numbers)
        except OSError as error:
            raise DiskFault.of(error, f"Taking from {other.name}") from error
        taken += numbers.values()
        done += sum(record.samples for record in portion)
        if progress is not None:
            progress(done, total)
    return tuple(taken), damaged


def _sound(other: Colleague, records: Sequence[RunRecord]) -> tuple[list[RunRecord], list[str]]:
    """Runs whose trace and original are what was stored, and a sentence for every file that is not."""
    with other.catalogue.reader() as cursor:
        originals = {
            str(sha): (str(stored_as), str(stored_sha))
            for sha, stored_as, stored_sha in rows(
                cursor, "SELECT sha256, stored_as, stored_sha256 FROM catalogue.original WHERE stored_as IS NOT NULL"
            )
        }
    sound: list[RunRecord] = []
    damaged: list[str] = []
    bad: dict[str, bool] = {}

    def is_bad(file: str, sha256: str, what: Sequence[RunRecord]) -> bool:
        if file not in bad:
            bad[file] = _hash_of(other.layout.absolute(file)) != sha256
            if bad[file]:
                named = ", ".join(str(record.facts.run_id) for record in what[:8]) + (" ..." if len(what) > 8 else "")
                damaged.append(
                    f"{other.name}: {file} is not what was stored, so its runs {named} stay there. "
                    f"`joulebook --library {other.layout.root} verify --repair` recreates it; then take once more."
                )
        return bad[file]

    for file, group in groupby(records, key=lambda record: record.provenance.trace_file):
        held = list(group)
        if is_bad(file, held[0].provenance.trace_sha256, held):
            continue
        for record in held:
            original = originals.get(record.provenance.source_sha256)
            if original is None or not is_bad(original[0], original[1], [record]):
                sound.append(record)
    return sound, damaged


def _hash_of(path: Path) -> str:
    try:
        return durable.hash_file(path)
    except OSError:
        return "missing"


def _portions(records: Sequence[RunRecord]) -> Iterator[list[RunRecord]]:
    portion: list[RunRecord] = []
    samples = 0
    for record in sorted(records, key=lambda record: record.facts.run_id):
        if portion and (samples + record.samples > _PORTION_SAMPLES or len(portion) == _PORTION_RUNS):
            yield portion
            portion, samples = [], 0
        portion.append(record)
        samples += record.samples
    if portion:
        yield portion


def _take_portion(library: Store, other: Colleague, records: Sequence[RunRecord], numbers: dict[int, int]) -> None:
    """Write the runs' samples under their new numbers, copy their originals, and store all in one transaction."""
    written, after = _write(library, other, records, numbers)
    originals = _originals(library, other, records)
    try:
        with library.catalogue.writer() as cursor:
            trace_id = next_trace_id(cursor)
            file = library.layout.pack_file(trace_id)
            durable.place(written.path, library.layout.absolute(file))
            for tmp, row in originals:
                durable.place(tmp, library.layout.absolute(str(row["stored_as"])))
            durable.fsync_folder(library.layout.packs)
            durable.fsync_folder(library.layout.originals)
            known = {str(row[0]) for row in rows(cursor, "SELECT sha256 FROM catalogue.original")}
            append_rows(cursor, "trace_file", [trace_row(trace_id, file, written, is_pack=True)])
            rest = _sources(records) - known
            _copy_rows(cursor, other, "original", "sha256", sorted(rest))
            _copy_runs(cursor, other, after, numbers, trace_id)
            store_shelved(cursor, [item for record in records for item in record.shelved])
            pending.note(
                cursor, "run_id IN (SELECT unnest(?::BIGINT[]))", [sorted(numbers.values())]
            )  # meters or sheets may be told differently here
    finally:
        durable.remove(written.path, announce=False)
        for tmp, _ in originals:
            durable.remove(tmp, announce=False)


def _sources(records: Sequence[RunRecord]) -> set[str]:
    """Hashes of the originals that runs, and those that stand back for them, were read from."""
    hidden = {item.source_sha256 for record in records for item in record.shelved}
    return hidden | {record.provenance.source_sha256 for record in records}


def _write(
    library: Store, other: Colleague, records: Sequence[RunRecord], numbers: dict[int, int]
) -> tuple[WrittenTrace, list[RunRecord]]:
    writer = TraceWriter(durable.new_temporary(library.layout.tmp, ".parquet"))
    after: list[RunRecord] = []
    try:
        for record in records:
            run_id = numbers[record.facts.run_id]
            after.append(replace(numbered(record, run_id), first_row=writer.samples))
            path = other.layout.absolute(record.provenance.trace_file)
            for table in read_samples(path, record.first_row, record.samples, TRACE_COLUMNS):
                _check_run(table, record.facts.run_id, path)
                column = pa.repeat(pa.scalar(run_id, pa.int64()), table.num_rows)
                writer.write(table.set_column(0, "run_id", column), whole=True)
        return writer.finish([footer_entry(record) for record in after]), after
    except BaseException:
        writer.abandon()
        raise


def _originals(library: Store, other: Colleague, records: Sequence[RunRecord]) -> list[tuple[Path, dict[str, Any]]]:
    """Copies of originals that are not here, under temporary names, with their rows."""
    wanted = sorted(_sources(records))
    sql = (
        "SELECT sha256, stored_as, stored_sha256 FROM catalogue.original "
        "WHERE stored_as IS NOT NULL AND sha256 IN (SELECT unnest(?::VARCHAR[]))"
    )
    with other.catalogue.reader() as cursor:
        found: list[Any] = rows(cursor, sql, [wanted])
    with library.catalogue.reader() as cursor:
        known = {str(row[0]) for row in rows(cursor, "SELECT sha256 FROM catalogue.original")}
    copies: list[tuple[Path, dict[str, Any]]] = []
    try:
        for sha256, stored_as, stored_sha256 in found:
            if sha256 in known:
                continue
            tmp = durable.new_temporary(library.layout.tmp, ".zst")
            with durable.HashingFile(tmp) as target:
                durable.copy_to(other.layout.absolute(str(stored_as)), target)
                target.commit()
                copies.append((tmp, {"sha256": sha256, "stored_as": stored_as}))
            _check_hash(target.sha256, str(stored_sha256), f"{other.name}: {stored_as}")
    except BaseException:
        for tmp, _ in copies:
            durable.remove(tmp, announce=False)
        raise
    return copies


def _check_run(table: pa.Table, run_id: int, path: Path) -> None:
    if table.num_rows and table.column("run_id")[0].as_py() != run_id:
        raise TraceDamaged(f"{path} holds another run's samples at the place of run {run_id}.")


def _check_hash(found: str, wanted: str, what: str) -> None:
    if found != wanted:
        raise TraceDamaged(f"{what} is not what was stored; nothing of it was taken.")


def _copy_rows(
    cursor: duckdb.DuckDBPyConnection, other: Colleague, table: str, column: str, keys: Sequence[Any]
) -> None:
    """Rows of a table there, by keys, into the same table here."""
    with other.catalogue.reader() as theirs:
        kind = "BIGINT" if column == "run_id" else "VARCHAR"
        sql = f"SELECT * FROM catalogue.{table} WHERE {column} IN (SELECT unnest(?::{kind}[]))"
        found = theirs.sql(sql, params=[list(keys)]).to_arrow_table()
    _insert(cursor, table, found)


def _insert(cursor: duckdb.DuckDBPyConnection, table: str, found: pa.Table) -> None:
    cursor.register("incoming", found)
    try:
        cursor.execute(f"INSERT INTO catalogue.{table} BY NAME SELECT * FROM incoming")
    finally:
        cursor.unregister("incoming")


def _copy_runs(
    cursor: duckdb.DuckDBPyConnection,
    other: Colleague,
    after: Sequence[RunRecord],
    numbers: dict[int, int],
    trace_id: int,
) -> None:
    """Rows of runs, results, events and previews, under the numbers that they have here."""
    rows_here = {record.facts.run_id: record.first_row for record in after}
    with other.catalogue.reader() as theirs:
        found: dict[str, Any] = {
            table: theirs.sql(
                f"SELECT * FROM catalogue.{table} WHERE run_id IN (SELECT unnest(?::BIGINT[]))", params=[list(numbers)]
            ).to_arrow_table()
            for table in ("run", "result", "event", "preview")
        }
    for table, rows_there in found.items():
        ids = [numbers[run_id] for run_id in rows_there.column("run_id").to_pylist()]
        moved = _with_column(rows_there, "run_id", pa.array(ids, pa.int64()))
        if table == "run":
            count = moved.num_rows
            moved = _with_column(moved, "trace_id", pa.array([trace_id] * count, pa.int64()))
            moved = _with_column(moved, "first_row", pa.array([rows_here[i] for i in ids], pa.int64()))
            moved = _with_column(moved, "amendment_count", pa.array([0] * count, pa.int32()))
            for name in ("group_id", "group_offset_s", "group_offset_uncertainty_s", "group_method"):
                moved = _with_column(moved, name, pa.nulls(count, moved.schema.field(name).type))
        _insert(cursor, table, moved)


def _with_column(table: pa.Table, name: str, values: Any) -> pa.Table:
    return table.set_column(table.schema.get_field_index(name), name, values)
