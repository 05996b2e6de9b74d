"""The part of a report that lets a stranger check it: meters, methods, runs with hashes, SQL. Knows the library."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from store.devices.meter_store import MeterStore
from store.devices.records import DevicePage
from store.judge.efficiency_sql import efficiency_queries
from store.judge.evidence import BenchEvidence
from store.methods.specs import page_tables
from store.model.document import Amount, Block, Cell, Manner, Plot, Role, Sql, Table, TableColumn, words
from store.publish.content import Section
from store.publish.figures_sql import headline_queries, pairs_query, quoted, results_query
from store.publish.shown import run_list
from store.sql.session import SqlSession

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["conditions_section", "data_section", "methods_section"]


def _rows(library: Store, sql: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = library.service(SqlSession).run(sql, limit=None).table.to_pylist()
    return found


def conditions_section(library: Store, run_ids: Sequence[int]) -> Section:
    """Under what it was measured and by which meters, with their calibration."""
    runs = _rows(library, f"SELECT * FROM runs WHERE run_id IN ({run_list(run_ids)}) ORDER BY run_id")
    ambients = sorted({round(float(run["ambient_c"])) for run in runs if run["ambient_c"] is not None})
    places = sorted({str(run["measured_at"]) for run in runs if run["measured_at"]})
    stated = [
        f"Ambient temperatures: {', '.join(f'{value} °C' for value in ambients) or 'not recorded'}.",
        f"Voltage measured at: {', '.join(places) or 'not recorded'}.",
        "Mode, load and ambient of every run stand in data/runs.csv.",
    ]
    aside = [run for run in runs if run["quality"] != "ok"]
    if aside:
        told = [f"run {r['run_id']} ({r['quality']}: {r['quality_reason'] or 'no reason given'})" for r in aside]
        stated.append(f"Set aside, in no figure: {'; '.join(told)}.")
    names = sorted({str(run["meter"]) for run in runs if run["meter"]})
    overdue = sorted({str(run["meter"]) for run in runs if run["meter_overdue"]})
    blocks: list[Block] = [*words(*stated), _meters(library, names, overdue)]
    if overdue:
        blocks += words(
            f"Calibration was overdue when these runs were made: {', '.join(overdue)}. Its readings are given as "
            "they are; their uncertainty may be larger than stated.",
            manner=Manner.CAUTION,
        )
    unnamed = [run["run_id"] for run in runs if not run["meter"]]
    if unnamed:
        blocks += words(f"No meter is on record for runs {run_list(unnamed)}.", manner=Manner.NOTE)
    return Section("conditions", "Conditions and meters", tuple(blocks))


def _meters(library: Store, names: Sequence[str], overdue: Sequence[str]) -> Table:
    calibrations = {name: library.service(MeterStore).calibrations(name) for name in names}
    known = {meter.name: meter for meter in library.service(MeterStore).all()}
    rows = []
    for name in names:
        meter = known.get(name)
        specs = [
            f"{what} ±({spec})"
            for what, spec in (
                ("voltage", meter.voltage_spec if meter else ""),
                ("current", meter.current_spec if meter else ""),
                ("temperature", meter.temperature_spec if meter else ""),
            )
            if spec
        ]
        last = calibrations[name][-1] if calibrations[name] else None
        told = "none on record"
        if last is not None:
            parts = [last.calibrated_on.isoformat(), last.document, last.done_by, last.found]
            told = ", ".join(part for part in parts if part)
        due = last.due_on.isoformat() if last is not None and last.due_on else ""
        rows.append(
            (
                Cell(name, note=meter.note if meter else ""),
                Cell("; ".join(specs) or "unknown: results by it carry no uncertainty"),
                Cell(told),
                Cell(
                    f"{due} (overdue)" if name in overdue else due, role=Role.OVERDUE if name in overdue else Role.PLAIN
                ),
            )
        )
    heads = ("meter", "limits of error, as stated by its maker", "last calibration", "due")
    return Table(tuple(TableColumn(head, wraps=True) for head in heads), tuple(rows), "Meters used")


def methods_section() -> Section:
    """How numbers, their uncertainty and ratios are made, in words; formulas and versions lie in the data."""
    text = words(
        "Uncertainty: a meter's stated limits of error are taken as rectangular; gain and offset errors are the same "
        "through a run and do not average out; integration adds a part from halving the sampling. Combined after the "
        "GUM (JCGM 100:2008), expanded by k = 2. Where a meter's accuracy is unknown the uncertainty is unknown, not "
        "zero.",
        "Ratios have three names: yield is delivered over rated energy; round-trip efficiency is delivered energy over "
        "energy taken in at the port; mains-to-load efficiency is round trip times the efficiency of the adapter, "
        "measured or, where so stated, assumed.",
        "Every method with its version, formula and source stands in data/methods.csv.",
    )
    return Section("methods", "Methods", text)


def data_section(
    library: Store,
    pages: Sequence[DevicePage],
    evidence: BenchEvidence,
    plots: Sequence[Plot],
    run_ids: Sequence[int],
) -> Section:
    """Runs with their hashes, and the SQL for every figure."""
    blocks: list[Block] = [
        *words(
            "Each figure can be reproduced from the files beside this page. data/figures.sql has one statement per "
            "figure over data/*.csv, data/results.sql one per result over the traces in data/traces; a bare DuckDB "
            "started in data/ runs both. Hashes of every run's trace and original stand in data/runs.csv, those of the "
            "files in data/checksums.sha256. `joulebook check-page FOLDER` does all of it at once."
        ),
        _runs(library, run_ids),
    ]
    for page in pages:
        blocks += headline_queries(page.sheet.device, page.figures, evidence)
        blocks += efficiency_queries(page.sheet.device, evidence.of(page.sheet.device))
        for table in page.tables:
            if table.kind == "efficiency":
                continue  # those rest on two runs each: the queries above
            runs = sorted({run for row in table.rows for run in row.run_ids})
            blocks.append(results_query(f"{page.sheet.device} {table.kind}", runs, page_tables()[table.kind]))
        paired = pairs_query(page.sheet.device, evidence)
        if paired is not None:
            blocks.append(paired)
        claims = (
            "SELECT claim, measured, unit, uncertainty, verdict, reason, run_ids FROM verdicts "
            f"WHERE device = {quoted(page.sheet.device)}"
        )
        blocks.append(Sql(f"claims and verdicts of {page.sheet.device}", claims))
    blocks += [Sql(f"figure: {plot.title}", plot.sql) for plot in plots if plot.sql]
    return Section("data", "Evidence", tuple(blocks))


_RUNS_SQL = (
    "SELECT run_id, device, kind, port, mode, load_set, ambient_c, started_at, meter, source_sha256, amendment_count "
    "FROM catalogue.run WHERE run_id IN (SELECT unnest(?)) ORDER BY run_id"
)


def _runs(library: Store, run_ids: Sequence[int]) -> Table:
    with library.catalogue.reader() as cursor:
        found = cursor.execute(_RUNS_SQL, [list(run_ids)]).fetchall()
    rows = []
    kept = [bool(run[9]) for run in found]
    for run in found:
        run_id, device, kind, port, mode, load, ambient_c, started, meter, digest, times = run
        what = ", ".join(part for part in (port, mode, load) if part)
        notes = [f"amended {times} times" if times else "", "" if digest or not any(kept) else "no original kept"]
        rows.append(
            (
                Cell(str(run_id)),
                Cell(device or ""),
                Cell(kind or ""),
                Cell(what),
                Cell(quantity=Amount(ambient_c, "°C", 0.0)) if ambient_c is not None else Cell(),
                Cell(started.strftime("%Y-%m-%d %H:%M") if started else "not logged"),
                Cell(meter or "", note=", ".join(note for note in notes if note)),
            )
        )
    columns = (
        TableColumn("run", is_number=True),
        TableColumn("device"),
        TableColumn("test"),
        TableColumn("port, mode, load", wraps=True),
        TableColumn("ambient", is_number=True),
        TableColumn("started (UTC)"),
        TableColumn("meter"),
    )
    return Table(columns, tuple(rows), "Runs", "" if any(kept) else "Of these runs no original kept.")
