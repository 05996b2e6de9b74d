"""Facts of runs changed by hand: each change an amendment, dependent results recomputed, all in one step.

Deleting leaves a tombstone with the original's hash. Knows the catalogue; no screen.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, replace
from datetime import datetime
from itertools import groupby
from typing import TYPE_CHECKING, Any

import duckdb

from store.care.repack import Replacement, remove_files, write_without
from store.catalogue.amendments import Change, amend
from store.catalogue.connection import rows
from store.catalogue.numbers import note_trace_ids
from store.catalogue.run_records import RunRecord, append_rows
from store.catalogue.shelved import Shelved, bury_shelved
from store.errors import DiskFault, NotFound, StoreError, WrongFact
from store.files import durable
from store.files.originals import original_hash
from store.model.records import RunFacts
from store.runs.fact_values import CHOICES, NUMBERS, TEXTS, checked_fact
from store.runs.recompute import load_records, replace_results
from store.runs.reducing import reduce_again
from store.words.clock import now_utc, to_stored

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["EDITABLE", "delete_runs", "edit_runs"]

_FULL_BYTES = 16 << 20
"""Less room than this and a disk counts as full: a commit takes some megabytes."""

_ALIASES = {"load": "load_set", "ambient": "ambient_c", "started": "started_at"}
_REDUCED_FROM = frozenset(
    {"device", "port", "mode", "kind", "direction", "load_set", "meter", "ambient_c", "measured_at", "cable_mohm"}
)
"""Facts that results depend on."""

EDITABLE: tuple[str, ...] = (*TEXTS, *NUMBERS, *CHOICES, "started_at")
"""Facts of a run that can be changed."""


def _changed(facts: RunFacts, wanted: Mapping[str, Any]) -> RunFacts:
    return replace(facts, **wanted)


def _text(value: object) -> str | None:
    if value is None:
        return None
    return value.isoformat() if isinstance(value, datetime) else str(value)


def edit_runs(library: Store, run_ids: Sequence[int], changes: Mapping[str, object], who: str, reason: str) -> int:
    """Change facts of runs: all of them, with their results, or none.

    Returns:
        How many fields of how many runs were changed, together.

    Raises:
        NotFound: A run or a fact that isn't there.
        WrongFact: A value that the fact can't have; a run set aside without a reason.
    """
    wanted: dict[str, Any] = {}
    for given, value in changes.items():
        name = _ALIASES.get(given, given)
        if name not in EDITABLE:
            raise NotFound.of("fact", given, (*EDITABLE, *_ALIASES))
        wanted[name] = checked_fact(name, value)
    if wanted.get("quality") in {"suspect", "rejected"}:
        wanted["quality_reason"] = wanted.get("quality_reason") or reason
        if not wanted["quality_reason"]:
            raise WrongFact(f"Give a reason: a run is set aside as {wanted['quality']} with a reason.")
    elif wanted.get("quality") == "ok":
        wanted["quality_reason"] = ""
    while True:
        with library.catalogue.reader() as cursor:
            before = load_records(cursor, list(dict.fromkeys(run_ids)))
        after = [replace(record, facts=_changed(record.facts, wanted)) for record in before]
        touched = [(b, a) for b, a in zip(before, after, strict=True) if b.facts != a.facts]
        if not touched:
            return 0
        if _REDUCED_FROM & wanted.keys():
            reduced = {r.facts.run_id: r for r in reduce_again(library, [a for _, a in touched])}
            touched = [(b, reduced[a.facts.run_id]) for b, a in touched]
        with library.catalogue.writer() as cursor:
            now = {r.facts.run_id: r.facts for r in load_records(cursor, [b.facts.run_id for b, _ in touched])}
            if all(now[b.facts.run_id] == b.facts for b, _ in touched):  # else somebody else was quicker: look again
                return _store(cursor, touched, wanted, who, reason)


def _store(
    cursor: duckdb.DuckDBPyConnection,
    touched: Sequence[tuple[RunRecord, RunRecord]],
    wanted: Mapping[str, Any],
    who: str,
    reason: str,
) -> int:
    changes = []
    for before, after in touched:
        old, new = asdict(before.facts), asdict(after.facts)
        names = [name for name in wanted if old[name] != new[name]]
        key = str(before.facts.run_id)
        changes += [Change("run", key, name, _text(old[name]), _text(new[name])) for name in names]
        stored = [to_stored(new[n]) if isinstance(new[n], datetime) else new[n] for n in names]
        pairs = ", ".join(f"{name} = ?" for name in names)
        cursor.execute(
            f"UPDATE catalogue.run SET {pairs}, amendment_count = amendment_count + {len(names)} WHERE run_id = ?",
            [*stored, before.facts.run_id],
        )
        if old["device"] != new["device"]:
            cursor.execute(
                "UPDATE catalogue.result SET device = ? WHERE run_id = ?", [new["device"], before.facts.run_id]
            )
    amend(cursor, changes, who, reason)
    replace_results(cursor, [after for _, after in touched])
    return len(changes)


def delete_runs(library: Store, run_ids: Sequence[int], who: str, reason: str) -> int:
    """Delete runs with their samples; a tombstone with the original's hash stays. The caller has asked.

    The original goes with the last run that was read from it.

    Returns:
        How many were deleted.

    Raises:
        NotFound: A run that isn't there.
    """
    ids = list(dict.fromkeys(run_ids))
    with library.catalogue.reader() as cursor:
        records = load_records(cursor, ids)
    try:
        return _delete(library, records, who=who, reason=reason)
    except DiskFault:
        if shutil.disk_usage(library.path).free > _FULL_BYTES:
            raise
        freed = _make_room(library, records)
        if not freed:
            raise
    try:
        return _delete(library, records, who=who, reason=reason)
    except DiskFault as error:
        raise DiskFault(
            f"{error} {len(freed)} trace files of these runs were removed to make room; their exports are kept. Delete "
            "again when there is room, or `joulebook verify --repair` makes them again."
        ) from error


def _make_room(library: Store, records: Sequence[RunRecord]) -> list[str]:
    """Remove traces of runs that are to be deleted, on a disk too full to note it; those that can be recreated.

    Nothing is lost if it ends here: the run is there still, and so is the export that its trace is made from.

    Returns:
        The files that were removed.
    """
    ids = [record.facts.run_id for record in records]
    sql = (
        "SELECT file FROM catalogue.trace_file t JOIN catalogue.run USING (trace_id) "
        "GROUP BY file HAVING bool_and(run_id IN (SELECT unnest(?::BIGINT[])))"
    )
    with library.catalogue.reader() as cursor:
        whole = {str(row[0]) for row in rows(cursor, sql, [ids])}
    freed = []
    by_file = sorted(records, key=lambda record: record.provenance.trace_file)
    for file, group in groupby(by_file, key=lambda record: record.provenance.trace_file):
        if file in whole and all(_is_kept(library, record) for record in group):
            durable.remove(library.layout.absolute(file))
            freed.append(file)
    for folder in (library.layout.runs, library.layout.packs):
        durable.fsync_folder(folder)
    return freed


def _is_kept(library: Store, record: RunRecord) -> bool:
    """Whether the export that a run was read from lies whole in the library."""
    source = record.provenance
    with suppress(StoreError, OSError):
        path = library.layout.absolute(library.layout.original_file(source.source_sha256, source.source_file))
        return original_hash(path) == source.source_sha256
    return False


def _delete(library: Store, records: Sequence[RunRecord], *, who: str, reason: str) -> int:
    try:
        replacements = write_without(library, records)
        try:
            with library.catalogue.writer() as cursor:
                gone = _bury(cursor, library, records, replacements, who=who, reason=reason)
                library.catalogue.once_committed(lambda: remove_files(library, gone))
        finally:
            for replacement in replacements:
                replacement.discard()
    except OSError as error:
        raise DiskFault.of(error, "Deleting") from error
    return len(records)


def _stone_of(item: Shelved, now: datetime | None, who: str, reason: str) -> dict[str, Any]:
    """What stays of a run that stood back for one that is deleted."""
    run = item.rows_of("run")[0]
    facts = {name: run[name] for name in RunFacts.__dataclass_fields__}
    told = {name: getattr(item, name) for name in ("run_id", "uid", "source_sha256", "source_file", "part", "samples")}
    text = json.dumps(facts, default=str, ensure_ascii=False)
    stone = {"device": run["device"], "kind": run["kind"], "facts": text}
    return {**told, **stone, "deleted_at": now, "who": who, "reason": reason}


def _bury(
    cursor: duckdb.DuckDBPyConnection,
    library: Store,
    records: Sequence[RunRecord],
    replacements: Sequence[Replacement],
    *,
    who: str,
    reason: str,
) -> list[str]:
    """Rows of deleted runs replaced by tombstones; the files that nothing needs any more."""
    ids = [record.facts.run_id for record in records]
    load_records(cursor, ids)  # still there?
    now = to_stored(now_utc())
    stones = [
        {
            "run_id": r.facts.run_id,
            "uid": r.facts.uid,
            "source_sha256": r.provenance.source_sha256,
            "source_file": r.provenance.source_file,
            "part": r.provenance.part,
            "device": r.facts.device,
            "kind": r.facts.kind,
            "samples": r.samples,
            "facts": json.dumps(asdict(r.facts), default=str, ensure_ascii=False),
            "deleted_at": now,
            "who": who,
            "reason": reason,
        }
        for r in records
    ]
    append_rows(cursor, "tombstone", stones)
    amend(cursor, [Change("run", str(i), "deleted", "no", "yes") for i in ids], who, reason)
    gone = [file for replacement in replacements for file in replacement.install(cursor, library)]
    for table in ("run", "result", "event", "preview"):
        cursor.execute(f"DELETE FROM catalogue.{table} WHERE run_id IN (SELECT unnest(?::BIGINT[]))", [ids])
    note_trace_ids(cursor)
    unused = "NOT EXISTS (SELECT 1 FROM catalogue.run WHERE run.trace_id = trace_file.trace_id)"
    gone += [str(row[0]) for row in rows(cursor, f"SELECT file FROM catalogue.trace_file WHERE {unused}")]
    cursor.execute(f"DELETE FROM catalogue.trace_file WHERE {unused}")
    hidden = bury_shelved(cursor, [r.facts.uid for r in records])
    append_rows(cursor, "tombstone", [_stone_of(item, now, who, reason) for item in hidden])
    hashes = list({r.provenance.source_sha256 for r in records} | {item.source_sha256 for item in hidden})
    return gone + drop_lonely_originals(cursor, hashes)


def drop_lonely_originals(cursor: duckdb.DuckDBPyConnection, hashes: Sequence[str]) -> list[str]:
    """Take rows of originals away that no run, and none that stands back, was read from; the files themselves stay.

    Returns:
        Their names.
    """
    lonely = (
        "sha256 IN (SELECT unnest(?::VARCHAR[])) AND NOT EXISTS "
        "(SELECT 1 FROM catalogue.run WHERE run.source_sha256 = original.sha256) AND NOT EXISTS "
        "(SELECT 1 FROM catalogue.shelved_run s WHERE s.source_sha256 = original.sha256)"
    )
    found = rows(cursor, f"SELECT stored_as FROM catalogue.original WHERE {lonely}", [list(hashes)])
    cursor.execute(f"DELETE FROM catalogue.original WHERE {lonely}", [list(hashes)])
    return [str(row[0]) for row in found if row[0]]
