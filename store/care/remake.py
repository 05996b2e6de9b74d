"""A damaged or missing trace recreated: from the export that was kept, by the profile that was kept with it.

Where the export is gone too, runs whose pages still agree with their checksums are taken over from the damaged file.
Nothing is removed: the damaged file is set aside. Knows files and the catalogue.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from store.care import packs
from store.care.repack import Moved, Replacement
from store.catalogue import pending
from store.catalogue.run_records import RunRecord, footer_entry
from store.catalogue.shelved import GROWN, PARTED, Shelved
from store.devices.bench import load_bench
from store.errors import StoreError
from store.files import durable
from store.files.traces import TraceWriter, arrow_schema, moved_table, read_samples, to_arrays
from store.imports.again import read_again
from store.imports.reduction import reduce_record
from store.model.results import ArrayTrace
from store.runs.recompute import load_records, replace_results, shelved_record

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["Remade", "remake"]


@dataclass(frozen=True, slots=True)
class Remade:
    """What became of one damaged trace file."""

    file: str
    made_again: tuple[int, ...]
    """Runs that lie whole in another file now."""
    lost: tuple[tuple[int, str], ...]
    """Runs that could not be recreated, and why."""


def remake(library: Store, file: str) -> Remade:
    """Make the runs of a damaged or missing trace file again, in a file of their own.

    Raises:
        DiskFault: The disk refused; the catalogue is as it was.
        OSError: Likewise.
    """
    with library.catalogue.reader() as cursor:
        sql = "SELECT run_id FROM catalogue.run JOIN catalogue.trace_file USING (trace_id) WHERE file = ?"
        ids = [int(row[0]) for row in cursor.execute(sql, [file]).fetchall()]
        records = load_records(cursor, ids)
    tables: dict[int, pa.Table] = {}
    lost: dict[int, str] = {}
    by_source = sorted(records, key=lambda r: r.provenance.source_sha256)
    for _, group in groupby(by_source, key=lambda r: r.provenance.source_sha256):
        _read(library, list(group), tables, lost)
    for record in records:
        if record.facts.run_id in lost:
            _rescue(library, record, tables, lost)
    _hold_against_results(library, records, tables, lost)
    kept = sorted((r for r in records if r.facts.run_id in tables), key=lambda r: r.facts.run_id)
    if kept:
        _install(library, kept, tables)
    return Remade(file, tuple(record.facts.run_id for record in kept), tuple(sorted(lost.items())))


def _read(library: Store, group: Sequence[RunRecord], tables: dict[int, pa.Table], lost: dict[int, str]) -> None:
    """Runs of one export from its original; one whose reading differs does not stop the others."""
    for record in group:
        if _is_composed(record):
            try:
                tables[record.facts.run_id] = _composed(library, record)
            except StoreError as error:
                lost[record.facts.run_id] = str(error).rstrip(".")
    group = [record for record in group if not _is_composed(record)]
    if not group:
        return
    try:
        for record, table in read_again(library, group):
            tables[record.facts.run_id] = table
    except StoreError as error:
        if len(group) == 1:
            lost[group[0].facts.run_id] = str(error).rstrip(".")
            return
        for record in group:
            _read(library, [record], tables, lost)


def _is_composed(record: RunRecord) -> bool:
    """Whether its samples come from other runs' originals; a log that grew has one of its own."""
    return any(record.facts.uid in item.into_uids and item.how != GROWN for item in record.shelved)


def _composed(library: Store, record: RunRecord) -> pa.Table:
    """A joined run from the originals of its parts; a piece of a parted one from that one's.

    Raises:
        TraceDamaged: An original can't be read, or reads otherwise today.
    """
    found: list[pa.Table] = []
    for item in record.shelved:
        if record.facts.uid not in item.into_uids:
            continue  # it stands back for one of those
        below = tuple(other for other in record.shelved if other is not item)
        source = replace(shelved_record(library.layout, item), shelved=_for(item.uid, below))
        table = _composed(library, source) if _is_composed(source) else read_again(library, [source])[0][1]
        offset_s = item.offset_s
        if item.how == PARTED:
            begin_s = float(record.provenance.part.rsplit("@", 1)[1])
            first = int(np.searchsorted(table.column("t_s").to_numpy(), begin_s))
            table, offset_s = table.slice(first, record.samples), -begin_s
        found.append(moved_table(table, record.facts.run_id, offset_s))
    return pa.concat_tables(found)


def _for(uid: str, shelved: Sequence[Shelved]) -> tuple[Shelved, ...]:
    """Those that stand back for a run, and those that stand back for them."""
    direct = [item for item in shelved if uid in item.into_uids]
    return tuple(one for item in direct for one in (item, *_for(item.uid, shelved)))


def _rescue(library: Store, record: RunRecord, tables: dict[int, pa.Table], lost: dict[int, str]) -> None:
    """Take a run over from the damaged file where every page of it agrees with its checksum."""
    try:
        path = library.layout.absolute(record.provenance.trace_file)
        for _, piece in packs.pieces(path, [record]):
            whole = piece
            if whole is None:
                columns = [field.name for field in arrow_schema()]
                whole = pa.concat_tables(read_samples(path, record.first_row, record.samples, columns))
            if whole.schema.equals(arrow_schema()) and whole.num_rows == record.samples:
                tables[record.facts.run_id] = whole
                del lost[record.facts.run_id]
    except (StoreError, OSError, pa.ArrowException, ValueError):
        return


def _hold_against_results(
    library: Store, records: Sequence[RunRecord], tables: dict[int, pa.Table], lost: dict[int, str]
) -> None:
    """Let go of samples that give other results than were stored by the same methods: they are not those of before."""
    bench = load_bench(library)
    with library.catalogue.reader() as cursor:
        waiting = set(pending.due(cursor))
    for record in records:
        table = tables.get(record.facts.run_id)
        if table is None or record.facts.run_id in waiting:  # their results are of other facts
            continue
        columns = ["t_s", *record.channels] if record.channels else table.column_names[1:]
        again = reduce_record(record, ArrayTrace(to_arrays(table.select(columns))), bench)
        with library.catalogue.reader() as cursor:
            changes = replace_results(cursor, [again], dry_run=True)
        others = [c.name for c in changes if c.old_version == c.new_version]
        if others:
            del tables[record.facts.run_id]
            lost[record.facts.run_id] = f"its samples give another {', '.join(others[:3])} than was stored"


def _install(library: Store, records: Sequence[RunRecord], tables: dict[int, pa.Table]) -> None:
    writer = TraceWriter(durable.new_temporary(library.layout.tmp, ".parquet"))
    after: list[RunRecord] = []
    try:
        for record in records:
            after.append(replace(record, first_row=writer.samples))
            writer.write(tables[record.facts.run_id], whole=True)
        written = writer.finish([footer_entry(record) for record in after])
    except BaseException:
        writer.abandon()
        raise
    replacement = Replacement(written, tuple(records), tuple(after))
    try:
        with library.catalogue.writer() as cursor:
            replacement.install(cursor, library)
    except Moved:
        return  # somebody else was quicker: what is still damaged is found again
    finally:
        replacement.discard()
