"""Runs out of the library as plain files: samples, facts and results, described by a data package.

Knows the library and Arrow; no screen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from store.model.records import RunView
from store.publish.checked import check_traces
from store.publish.folder import check_free, filled_folder
from store.publish.package import resource, write_package
from store.publish.refusals import NotPublished
from store.publish.tables import FORMATS, describe_fields, write_table
from store.runs.run_store import RunStore
from store.runs.sample_store import SampleStore
from store.sql.session import SqlSession
from store.version import __version__

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["export_runs", "run_source"]

Progress = Callable[[int, int], None]


def export_runs(
    library: Store,
    run_ids: Sequence[int],
    folder: Path,
    form: str = "csv",
    *,
    licence: str = "",
    replace: bool = False,
    progress: Progress | None = None,
) -> list[str]:
    """Write runs, their facts and their results into a folder with a `datapackage.json`.

    Args:
        library: The library.
        run_ids: Which runs.
        folder: Where; made whole or not at all.
        form: `csv`, `parquet` or `arrow`.
        licence: SPDX id of the licence that the data are published under; empty states that there is none.
        replace: Write over files that are there.
        progress: Told how many runs of how many are written.

    Returns:
        Names of the files, `datapackage.json` last.

    Raises:
        NotPublished: Nothing to write, or no such format.
        FolderInUse: The folder holds something.
        TraceDamaged: A trace's hash is wrong.
    """
    if form not in FORMATS:
        raise NotPublished(f"`{form}` is not a format. Formats are {', '.join(FORMATS)}.")
    wanted = sorted(set(run_ids))
    if not wanted:
        raise NotPublished("No run fits, so there is nothing to write.")
    check_free(folder, replace=replace)
    check_traces(library, wanted)
    with filled_folder(folder, replace=replace) as work:
        resources = _write_lists(library, wanted, work, form)
        for done, run_id in enumerate(wanted):
            resources.append(_write_run(library, library.service(RunStore).get(run_id), work, form))
            if progress is not None:
                progress(done + 1, len(wanted))
        devices = sorted({str(r["joulebook"]["device"]) for r in resources if "joulebook" in r})
        write_package(
            work,
            f"Runs of {', '.join(devices)}",
            licence,
            resources,
            description="Samples of bench runs in SI units, with facts and results. Times are seconds from a run's "
            "first sample; current and power are positive in the run's direction; an empty cell is a value that the "
            "meter did not give. Uncertainties are standard ones (k = 1). Every figure is of the sample tested.",
            joulebook={"program_version": __version__},
        )
    return [*(r["path"] for r in resources), "datapackage.json"]


def _write_lists(library: Store, run_ids: Sequence[int], work: Path, form: str) -> list[dict[str, Any]]:
    listed = ", ".join(map(str, run_ids))
    questions = {
        "runs": f"SELECT * FROM runs WHERE run_id IN ({listed}) ORDER BY run_id",
        "results": f'SELECT * FROM results WHERE run_id IN ({listed}) AND "current" ORDER BY run_id, name',
    }
    resources = []
    for name, sql in questions.items():
        table = library.service(SqlSession).run(sql, limit=None).table
        path = work / f"{name}.{form}"
        write_table(table, path, form)
        resources.append(resource(path, work, form, table, {"sql": sql}))
    return resources


def _write_run(library: Store, run: RunView, work: Path, form: str) -> dict[str, Any]:
    table: pa.Table = library.service(SampleStore).read(run.facts.run_id)
    source = run_source(run)
    path = work / f"run-{run.facts.run_id:06d}.{form}"
    write_table(table, path, form, {"run": source, "fields": describe_fields(table)})
    return resource(path, work, form, table, {"sources": _sources(run), "joulebook": source})


def _sources(run: RunView) -> list[dict[str, str]]:
    known = {"hash": f"sha256:{run.provenance.source_sha256}"} if run.provenance.source_sha256 else {}
    return [{"title": run.provenance.source_file, **known}]


def run_source(run: RunView) -> dict[str, Any]:
    """What a reader must know of a run beside its samples."""
    facts, origin = run.facts, run.provenance
    return {
        "run_id": facts.run_id,
        "uid": facts.uid,
        "device": facts.device or "",
        "port": facts.port,
        "mode": facts.mode,
        "kind": facts.kind,
        "direction": facts.direction,
        "load_set": facts.load_set,
        "ambient_c": facts.ambient_c,
        "started_at": facts.started_at.isoformat() if facts.started_at else None,
        "meter": facts.meter,
        "voltage_taken_at": facts.measured_at,
        "quality": facts.quality,
        "source_file": origin.source_file,
        "source_sha256": origin.source_sha256,
        "trace_sha256": origin.trace_sha256,
    }
