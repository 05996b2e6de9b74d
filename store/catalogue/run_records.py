"""One run as the catalogue and a trace's footer hold it, and the way between the two.

Knows the catalogue's tables and JSON; no file.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import duckdb

from importers.schema import ClockReading, Conversion, LineAccount, TraceEvent
from store.catalogue.accounts import account_fields
from store.catalogue.appending import append_rows
from store.catalogue.shelved import Shelved, footer_rows, from_footer, store_shelved
from store.model.records import Provenance, RunFacts, StripSet
from store.model.results import Reduction, Result
from store.signal.strips import pack_bands
from store.sql.views import MAIN_RESULTS, MAIN_TEXTS, MAIN_UNCERTAINTIES
from store.version import __version__
from store.words.clock import as_utc, now_utc, to_stored

__all__ = [
    "RunRecord",
    "append_rows",
    "event_rows",
    "footer_entry",
    "insert_records",
    "main_columns",
    "preview_row",
    "record_from_footer",
    "result_rows",
]


@dataclass(frozen=True, slots=True)
class RunRecord:
    """Everything that is stored of one run but its samples."""

    facts: RunFacts
    provenance: Provenance
    channels: tuple[str, ...]
    samples: int
    duration_s: float
    interval_s: float | None
    first_row: int
    events: tuple[TraceEvent, ...] = ()
    """Those that the importer settled."""
    preview: StripSet | None = None
    reduction: Reduction | None = None
    shelved: tuple[Shelved, ...] = ()
    """Runs that stand back for it."""


_to_json = json.JSONEncoder(ensure_ascii=False, default=str).encode
# Made once: a run has forty results with three lists each.


def _json(value: object) -> str:
    return _to_json(value)


def _fields(item: Any) -> dict[str, Any]:
    """A flat record's fields by name; a fifth of the time of `asdict`, which copies deep."""
    return {name: getattr(item, name) for name in item.__dataclass_fields__}


def _provenance_fields(provenance: Provenance) -> dict[str, Any]:
    return {
        "source_file": provenance.source_file,
        "source_sha256": provenance.source_sha256,
        "source_bytes": provenance.source_bytes,
        "part": provenance.part,
        "imported_at": to_stored(provenance.imported_at),
        "imported_by": provenance.imported_by,
        "program_version": provenance.program_version,
        "profile": provenance.profile,
        "profile_text": provenance.profile_text,
        "conversions": [_fields(c) for c in provenance.conversions],
        "clock": _fields(provenance.clock),
        "sign_turned": provenance.sign_turned,
        "account": _fields(provenance.account),
        "warnings": list(provenance.warnings),
    }


def _facts_fields(facts: RunFacts) -> dict[str, Any]:
    return {**_fields(facts), "started_at": to_stored(facts.started_at)}


def footer_entry(record: RunRecord) -> dict[str, Any]:
    """The run's entry in its trace's footer: JSON-able, every fact and its origin."""
    entry = {
        **_facts_fields(record.facts),
        **_provenance_fields(record.provenance),
        "channels": list(record.channels),
        "interval_s": record.interval_s,
        "duration_s": record.duration_s,
        "events": [_fields(event) for event in record.events],
        "first_row": record.first_row,
        "rows": record.samples,
    }
    for name in ("started_at", "imported_at"):
        moment: datetime | None = entry[name]
        entry[name] = moment.isoformat() + "Z" if moment else None
    if record.shelved:
        entry["shelved"] = footer_rows(record.shelved)
    return entry


def _moment(text: str | None) -> datetime | None:
    return as_utc(to_stored(datetime.fromisoformat(text))) if text else None


def record_from_footer(entry: Mapping[str, Any], *, trace_file: str, trace_sha256: str) -> RunRecord:
    """The inverse of `footer_entry`; what an older or a foreign writer left out gets its plain default."""
    stated: dict[str, Any] = {name: entry[name] for name in RunFacts.__dataclass_fields__ if name in entry}
    facts = RunFacts(**{**stated, "started_at": _moment(entry.get("started_at"))})
    samples = int(entry["rows"])
    account = entry.get("account") or {"lines": samples, "samples": samples}
    provenance = Provenance(
        source_file=entry.get("source_file") or "",
        source_sha256=entry.get("source_sha256") or "",
        source_bytes=int(entry.get("source_bytes") or 0),
        part=entry.get("part") or "1",
        imported_at=_moment(entry.get("imported_at")) or now_utc(),
        imported_by=entry.get("imported_by") or "",
        program_version=entry.get("program_version") or __version__,
        profile=entry.get("profile") or "",
        profile_text=entry.get("profile_text") or "",
        conversions=tuple(Conversion(**c) for c in entry.get("conversions") or ()),
        clock=ClockReading(**_tupled(entry.get("clock") or {"source": "elapsed"})),
        sign_turned=bool(entry.get("sign_turned")),
        account=LineAccount(**account),
        warnings=tuple(entry.get("warnings") or ()),
        trace_sha256=trace_sha256,
        trace_file=trace_file,
    )
    return RunRecord(
        facts=facts,
        provenance=provenance,
        channels=tuple(entry.get("channels") or ()),
        samples=samples,
        duration_s=float(entry.get("duration_s") or 0.0),
        interval_s=entry.get("interval_s"),
        first_row=int(entry["first_row"]),
        events=tuple(TraceEvent(**e) for e in entry.get("events") or ()),
        shelved=from_footer(entry.get("shelved") or ()),
    )


def _tupled(clock: Mapping[str, Any]) -> dict[str, Any]:
    return {**clock, "columns": tuple(clock.get("columns") or ())}


def main_columns(results: Iterable[Result]) -> dict[str, Any]:
    """Values of the `runs` view's result columns."""
    by_name = {result.name: result for result in results}
    columns: dict[str, Any] = {name: by_name[name].value if name in by_name else None for name in MAIN_RESULTS}
    for column, name in MAIN_UNCERTAINTIES.items():
        columns[column] = by_name[name].uncertainty if name in by_name else None
    for column, name in MAIN_TEXTS.items():
        columns[column] = by_name[name].text if name in by_name else None
    return columns


def run_row(record: RunRecord, trace_id: int) -> dict[str, Any]:
    """The run's row of the table `run`."""
    fields = _provenance_fields(record.provenance)
    for name in ("conversions", "clock", "account", "warnings"):
        fields[name] = _json(fields[name])
    return {
        **_facts_fields(record.facts),
        **fields,
        "samples": record.samples,
        "duration_s": record.duration_s,
        "interval_s": record.interval_s,
        "channels": _json(list(record.channels)),
        "warning_count": len(record.provenance.warnings),
        "amendment_count": 0,
        "trace_id": trace_id,
        "first_row": record.first_row,
        **main_columns(record.reduction.results if record.reduction else ()),
    }


def result_rows(run_id: int | None, device: str | None, results: Iterable[Result]) -> list[dict[str, Any]]:
    """Rows of the table `result` for today's results of a run, or of a device (run_id None)."""
    now = to_stored(now_utc())
    return [
        {
            "run_id": run_id,
            "device": device,
            "name": r.name,
            "value": r.value,
            "unit": r.unit,
            "uncertainty": r.uncertainty,
            "text": r.text,
            "method": r.method,
            "method_version": r.method_version,
            "from_s": r.from_s,
            "to_s": r.to_s,
            "warnings": _json(list(r.warnings)),
            "reason": r.reason,
            "budget": _json([_fields(c) for c in r.budget]),
            "account": _json(account_fields(r.account)),
            "flags": sorted(r.flags),
            "dof": r.dof,
            "expanded": r.expanded,
            "formula": r.formula,
            "computed_at": now,
            "program_version": __version__,
            "is_current": True,
        }
        for r in results
    ]


def event_rows(run_id: int, events: Iterable[Any], *, is_imported: bool) -> list[dict[str, Any]]:
    """Rows of the table `event`."""
    return [{"run_id": run_id, **_fields(event), "is_imported": is_imported} for event in events]


def preview_row(run_id: int, preview: StripSet) -> dict[str, Any]:
    """The row of the table `preview`."""
    return {
        "run_id": run_id,
        "from_s": preview.from_s,
        "to_s": preview.to_s,
        "buckets": preview.buckets,
        "channels": _json([strip.channel for strip in preview.strips]),
        "bands": pack_bands(preview),
    }


def insert_records(cursor: duckdb.DuckDBPyConnection, records: Sequence[tuple[RunRecord, int]]) -> None:
    """Append runs with their results, events and previews.

    Args:
        cursor: Inside a writing transaction.
        records: Each run with the number of its trace file.
    """
    append_rows(cursor, "run", [run_row(record, trace_id) for record, trace_id in records])
    results: list[dict[str, Any]] = []
    events: list[dict[str, Any]] = []
    previews: list[dict[str, Any]] = []
    for record, _ in records:
        run_id = record.facts.run_id
        events += event_rows(run_id, record.events, is_imported=True)
        if record.reduction:
            results += result_rows(run_id, record.facts.device, record.reduction.results)
            known = {(e.kind, e.from_s, e.to_s) for e in record.events}
            found = [e for e in record.reduction.events if (e.kind, e.from_s, e.to_s) not in known]
            events += event_rows(run_id, found, is_imported=False)
        if record.preview:
            previews.append(preview_row(run_id, record.preview))
    append_rows(cursor, "result", results)
    append_rows(cursor, "event", events)
    append_rows(cursor, "preview", previews)
    store_shelved(cursor, [item for record, _ in records for item in record.shelved])


def numbered(record: RunRecord, run_id: int) -> RunRecord:
    """The same run under another number."""
    return replace(record, facts=replace(record.facts, run_id=run_id))
