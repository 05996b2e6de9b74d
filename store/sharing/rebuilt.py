"""A library to take from, put together beside ours: from the tables that a bench shared, or from a pack of whole runs.

What is made is a library of its own in a temporary folder, with the files of those runs alone that ours lacks.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa

from store.care.strays import take_in
from store.care.survey import survey
from store.catalogue.connection import rows
from store.catalogue.journal import apply_kept, apply_run_facts
from store.catalogue.numbers import next_trace_id
from store.catalogue.run_records import RunRecord, append_rows, insert_records, record_from_footer
from store.errors import NotALibrary, TraceDamaged
from store.files import durable
from store.files.traces import footer_of
from store.opening import create_store
from store.runs.recompute import recompute
from store.sharing.exports import EXPORTS, place_of, write_exports
from store.sharing.kept import KEPT, kept_from
from store.sharing.target import ShareRefused, Target

if TYPE_CHECKING:
    from store.core import Store
    from store.sharing.tables import SharedTables

__all__ = ["from_pack", "from_tables"]

_TRACE = re.compile(r"bench=[A-Za-z0-9_-]{1,40}/(?P<sha256>[0-9a-f]{64})\.parquet")


@dataclass(frozen=True, slots=True)
class _Shared:
    """A trace file of a bench."""

    path: str
    sha256: str
    size: int
    records: tuple[RunRecord, ...]


def from_pack(library: Store, pack: Path, room: Path) -> Store:
    """A library of the runs of a pack, and of nothing else.

    Args:
        library: Ours.
        pack: The Parquet file.
        room: A folder for it, still absent.

    Raises:
        NotALibrary: The file holds no runs.
        DiskFault: A disk refused.
    """
    made = create_store(type(library), room, who=library.who)
    file = made.layout.pack_file(1)
    with durable.HashingFile(made.layout.absolute(file)) as target:
        durable.copy_to(pack, target)
        target.commit(is_flushed=False)
    count, left = take_in(made, survey(made, [file], is_lost=True))
    if not count:
        why = left[0].why if left else "holds no run"
        raise NotALibrary(f"{pack} {why}. Name a library's folder, an archive, a shared place or a pack of runs.")
    return made


def from_tables(library: Store, address: str, bench: str | None, room: Path) -> Store:
    """A library as a bench shared it, with the files of the runs that ours lacks.

    Args:
        library: Ours.
        address: The place that it was shared to.
        bench: Which; None where only one other bench shares there.
        room: A folder for it, still absent.

    Raises:
        ShareRefused: There is none, several share there, or it is this very library.
        TraceDamaged: A file there is not what was shared.
        DiskFault: A disk or the connection refused.
    """
    from store.sharing.tables import SharedTables  # noqa: PLC0415 - an extra

    target = Target(address)
    with library.catalogue.reader() as cursor:
        own = str(rows(cursor, "SELECT value FROM catalogue.meta WHERE key = 'library_uid'")[0][0])
    tables = SharedTables(target, _chosen(target, SharedTables(target, "").benches(), bench, own))
    made = create_store(type(library), room, who=library.who)
    kept = kept_from(tables.rows_of(KEPT, ["about", "uid", "told"]))
    try:
        with made.catalogue.writer() as cursor:
            apply_kept(cursor, kept)
        shared = [_looked_at(target, path, size) for path, size in sorted(tables.shared_traces().items())]
        known = _known(library, [record for trace in shared for record in trace.records])
        lacking = [t for t in shared if any(record.facts.uid not in known for record in t.records)]
        for trace in shared:
            if trace not in lacking:
                _note_only(made, trace)
        _bring_exports(made, tables, [record for trace in lacking for record in trace.records])
        for trace in lacking:
            _bring(made, target, trace)
        with made.catalogue.writer() as cursor:
            changed = set(apply_run_facts(cursor, kept.run_facts))
    except (duckdb.Error, pa.ArrowException, KeyError, TypeError, ValueError) as error:
        raise ShareRefused(f"What bench {tables.bench} shared at {target} can't be read: {error}.") from error
    numbers = {record.facts.run_id for trace in lacking for record in trace.records}
    if changed & numbers:
        recompute(made, sorted(changed & numbers))
    return made


def _chosen(target: Target, benches: dict[str, str], bench: str | None, own: str) -> str:
    others = sorted(name for name, uid in benches.items() if uid != own)
    if bench is not None:
        if bench not in benches:
            raise ShareRefused(f"{target}: no bench {bench} shares there. There are: {', '.join(sorted(benches))}.")
        if benches[bench] == own:
            raise ShareRefused(f"Bench {bench} at {target} is this library: there is nothing to take.")
        return bench
    if not others:
        raise ShareRefused(f"{target} holds no other library than this one: there is nothing to take.")
    if len(others) > 1:
        raise ShareRefused(f"{target} holds {len(others)} other benches: {', '.join(others)}. Choose one with --bench.")
    return others[0]


def _looked_at(target: Target, path: str, size: int) -> _Shared:
    found = _TRACE.fullmatch(path)
    if found is None:
        raise TraceDamaged(f"{target}: {path[:200]!r} is no trace of a shared library.")
    sha256 = found["sha256"]
    name = f"{target}/samples/{path}"
    with target.read(f"samples/{path}") as file:
        footer = footer_of(file, name)
    try:
        records = tuple(record_from_footer(entry, trace_file="", trace_sha256=sha256) for entry in footer["runs"])
    except (KeyError, TypeError, ValueError) as error:
        raise TraceDamaged(f"{name}: its footer can't be read ({type(error).__name__}: {error}).") from error
    return _Shared(path, sha256, size, records)


def _known(library: Store, records: Iterable[RunRecord]) -> set[str]:
    """Uids of runs that ours has, had, or has in another form."""
    uids = [record.facts.uid for record in records]
    sql = " UNION ALL ".join(
        f"SELECT uid FROM catalogue.{table} WHERE uid IN (SELECT unnest(?::VARCHAR[]))"
        for table in ("run", "tombstone", "shelved_run")
    )
    with library.catalogue.reader() as cursor:
        return {str(row[0]) for row in rows(cursor, sql, [uids, uids, uids])}


def _note_only(made: Store, trace: _Shared) -> None:
    """Runs that ours has: what is told of them is compared, their samples stay where they are."""
    with made.catalogue.writer() as cursor:
        trace_id = next_trace_id(cursor)
        file = made.layout.pack_file(trace_id)
        samples = sum(record.samples for record in trace.records)
        row = {"trace_id": trace_id, "file": file, "sha256": trace.sha256, "bytes": trace.size}
        append_rows(cursor, "trace_file", [{**row, "samples": samples, "is_pack": True}])
        insert_records(
            cursor, [(replace(r, provenance=replace(r.provenance, trace_file=file)), trace_id) for r in trace.records]
        )


def _bring(made: Store, target: Target, trace: _Shared) -> None:
    with made.catalogue.reader() as cursor:
        file = made.layout.pack_file(next_trace_id(cursor))
    target.get(f"samples/{trace.path}", made.layout.absolute(file), trace.sha256)
    count, left = take_in(made, survey(made, [file], is_lost=True))
    if not count and left:
        raise TraceDamaged(f"{target}/samples/{trace.path} {left[0].why}. Share there again.")


def _bring_exports(made: Store, tables: SharedTables, records: Iterable[RunRecord]) -> None:
    """Exports of those runs, and every profile and saved query."""
    sources = {record.provenance.source_sha256 for record in records}
    sources |= {item.source_sha256 for record in records for item in record.shelved}
    paths: dict[str, Path] = {}
    for row in tables.rows_of(EXPORTS, ["sha256", "stored_as"]).to_pylist():
        sha256, name = str(row["sha256"]), str(row["stored_as"])
        path = place_of(made.layout, sha256, name)
        if path is not None and (sha256 in sources or path.parent != made.layout.originals):
            durable.make_folder(path.parent)
            paths[sha256] = path
    write_exports(tables.exports(sorted(paths)), paths)
