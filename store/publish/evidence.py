"""The evidence beside a published page: traces, facts and results as files, and a statement for every printed figure.

Names of people, machines and folders stand in none of it. Knows the library and Arrow; renders no page.
"""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from importers.schema import CHANNELS
from store.catalogue.accounts import load_account
from store.devices.device_store import DeviceStore
from store.devices.page import device_page
from store.judge.comparison import compare_devices
from store.judge.evidence import read_evidence
from store.methods.registry import METHODS, redo_of_today
from store.methods.why import gets_it_again
from store.publish.content import Report
from store.publish.evidence_check import figures_that_differ
from store.publish.evidence_figures import PrintedFigure, compared_figures, printed_figures
from store.publish.figures_sql import quoted
from store.publish.shown import run_list
from store.publish.tables import write_table
from store.runs.sample_store import SampleStore
from store.sql.session import SqlSession

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["write_evidence", "zip_folder"]

_LISTS: Mapping[str, str] = {
    "devices": "SELECT * FROM devices WHERE device IN ({devices}) ORDER BY device",
    "claims": "SELECT * FROM claims WHERE device IN ({devices}) ORDER BY ALL",
    "verdicts": "SELECT * FROM verdicts WHERE device IN ({devices}) ORDER BY device, position",
    "runs": "SELECT * EXCLUDE (source_file, imported_at, imported_by, profile, warning_count, amendment_count) "
    "FROM runs WHERE run_id IN ({runs}) ORDER BY run_id",
    "results": "SELECT * EXCLUDE (computed_at, program_version) FROM results "
    'WHERE run_id IN ({runs}) AND "current" ORDER BY run_id, name',
    "events": "SELECT * FROM events WHERE run_id IN ({runs}) ORDER BY ALL",
    "meters": "SELECT * FROM meters WHERE meter IN (SELECT meter FROM runs WHERE run_id IN ({runs})) ORDER BY meter",
}
_TYPES = {pa.types.is_boolean: "BOOLEAN", pa.types.is_integer: "BIGINT", pa.types.is_floating: "DOUBLE",
          pa.types.is_timestamp: "TIMESTAMP", pa.types.is_date: "DATE"}  # fmt: skip
_EARLIEST = (1980, 1, 1, 0, 0, 0)
"""The first moment that a ZIP file can hold: it says nothing of when the file was made."""


def write_evidence(library: Store, content: Report, folder: Path) -> None:
    """Fill a new folder with all that a page rests on.

    Args:
        library: The library.
        content: What the page says.
        folder: A folder that does not exist yet.
    """
    (folder / "traces").mkdir(parents=True)
    figures = _figures(library, content)
    run_ids = sorted({*content.run_ids, *(run_id for figure in figures for run_id in figure.run_ids)})
    schemas = _write_lists(library, content, run_ids, folder)
    _write_methods(library, run_ids, folder)
    for run_id in run_ids:
        write_table(_whole_trace(library, run_id), folder / _trace_of(run_id), "parquet", {"run_id": run_id})
    head = _views(schemas)
    (folder / "results.sql").write_text(_results_sql(library, run_ids), encoding="utf-8", newline="\n")
    kept, without = _that_run(folder, head, figures)
    texts = [f"{figure.statement()};" for figure in kept]
    _write(folder / "figures.sql", f"{_HEAD_FIGURES}{head}\n\n" + "\n\n".join(texts) + "\n")
    _write(folder / "README.md", _readme(content, len(kept), without))
    sums = [f"{_sha256(path)}  {path.relative_to(folder).as_posix()}" for path in _files(folder)]
    _write(folder / "checksums.sha256", "\n".join(sums) + "\n")


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _trace_of(run_id: int) -> str:
    return f"traces/run-{run_id:06d}.parquet"


def _write_lists(library: Store, content: Report, run_ids: Sequence[int], folder: Path) -> dict[str, pa.Schema]:
    devices = ", ".join(quoted(name) for name in _devices(library, content))
    schemas = {}
    for name, sql in _LISTS.items():
        table = library.service(SqlSession).run(sql.format(devices=devices, runs=run_list(run_ids)), limit=None).table
        if name == "runs":
            table = table.append_column("trace_sha256", _trace_hashes(library, run_ids))
        table = _without_zone(table)
        write_table(table, folder / f"{name}.csv", "csv")
        schemas[name] = table.schema
    return schemas


def _devices(library: Store, content: Report) -> list[str]:
    """The page's devices, and those of their model whose means stand on it."""
    sheets = library.service(DeviceStore).sheets()
    models = {sheets[name].model for name in content.devices if name in sheets and sheets[name].model}
    alike = {name for name, sheet in sheets.items() if sheet.model in models}
    return sorted({*content.devices, *alike})


def _trace_hashes(library: Store, run_ids: Sequence[int]) -> pa.Array:
    with library.catalogue.reader() as cursor:
        found = cursor.execute(
            "SELECT t.sha256 FROM catalogue.run r JOIN catalogue.trace_file t USING (trace_id) "
            "WHERE run_id IN (SELECT unnest(?)) ORDER BY run_id",
            [list(run_ids)],
        ).fetchall()
    return pa.array([row[0] for row in found], pa.string())


def _without_zone(table: pa.Table) -> pa.Table:
    """Moments as UTC without a zone, so that no engine turns them."""
    for index, field in enumerate(table.schema):
        if pa.types.is_timestamp(field.type):
            plain = pc.cast(table.column(index), pa.timestamp("us"))
            table = table.set_column(index, field.name, plain)
    return table


def _write_methods(library: Store, run_ids: Sequence[int], folder: Path) -> None:
    sql = (
        "SELECT DISTINCT name AS result, method, method_version FROM results "
        f'WHERE "current" AND value IS NOT NULL AND run_id IN ({run_list(run_ids)}) ORDER BY ALL'
    )
    table = library.service(SqlSession).run(sql, limit=None).table
    known = [METHODS.get(name) for name in table.column("method").to_pylist()]
    versions = table.column("method_version").to_pylist()
    same = [method is not None and method.version == v for method, v in zip(known, versions, strict=True)]
    for field in ("formula", "source"):
        texts = [getattr(m, field) if is_same else "" for m, is_same in zip(known, same, strict=True)]
        table = table.append_column(field, pa.array(texts, pa.string()))
    write_table(table, folder / "methods.csv", "csv")


def _whole_trace(library: Store, run_id: int) -> pa.Table:
    """A run's samples with every channel's column, empty where the meter gave none."""
    held = library.service(SampleStore).read(run_id)
    count = held.num_rows
    columns: dict[str, pa.ChunkedArray | pa.Array] = {"run_id": pa.array([run_id] * count, pa.int64())}
    columns["t_s"] = held.column("t_s")
    for channel in CHANNELS:
        there = channel.name in held.schema.names
        columns[channel.name] = held.column(channel.name) if there else pa.nulls(count, pa.float64())
    return pa.table(columns)


def _views(schemas: Mapping[str, pa.Schema]) -> str:
    """What names the files, so that statements are those of `joulebook sql`."""
    made = []
    for name, schema in schemas.items():
        columns = ", ".join(f"{quoted(field.name)}: '{_type(field.type)}'" for field in schema)
        made.append(
            f"CREATE OR REPLACE TEMP VIEW {name} AS SELECT * FROM read_csv('{name}.csv', auto_detect = false, "
            f"header = true, delim = ',', quote = '\"', escape = '\"',\n  columns = {{{columns}}});"
        )
    made.append("CREATE OR REPLACE TEMP VIEW samples AS SELECT * FROM read_parquet('traces/*.parquet');")
    return "\n".join(made)


def _type(kind: pa.DataType) -> str:
    return next((name for fits, name in _TYPES.items() if fits(kind)), "VARCHAR")


def _figures(library: Store, content: Report) -> list[PrintedFigure]:
    evidence = read_evidence(library, _devices(library, content))
    if len(content.devices) > 1:
        return list(compared_figures(compare_devices(library, content.devices), evidence))
    return list(printed_figures(device_page(library, content.devices[0]), evidence))


def _that_run(
    folder: Path, head: str, figures: Iterable[PrintedFigure]
) -> tuple[list[PrintedFigure], list[PrintedFigure]]:
    """Figures whose statement gives what is printed, tried over the files just written; and the others."""
    figures = list(figures)
    with_sql = [figure for figure in figures if figure.sql]
    wrong = figures_that_differ(folder, head, [figure.statement() for figure in with_sql])
    kept = [figure for index, figure in enumerate(with_sql) if index not in wrong]
    return kept, [figure for figure in figures if figure not in kept]


def _results_sql(library: Store, run_ids: Sequence[int]) -> str:
    """A statement for each result of each run, over its trace alone."""
    texts = [_HEAD_RESULTS]
    sql = (
        "SELECT run_id, name, value FROM results "
        f'WHERE "current" AND value IS NOT NULL AND run_id IN ({run_list(run_ids)}) ORDER BY run_id, name'
    )
    wanted = library.service(SqlSession).run(sql, limit=None).table.to_pylist()
    with library.catalogue.reader() as cursor:
        accounts = [load_account(cursor, row["run_id"], row["name"]) for row in wanted]
    for row, account in zip(wanted, accounts, strict=True):
        found = redo_of_today(account, row["run_id"], _trace_of(row["run_id"]))
        if gets_it_again(found):
            texts.append(f"-- run {row['run_id']}, {row['name']}: {row['value']!r}\n{found.rstrip().rstrip(';')};")
    return "\n\n".join(texts) + "\n"


def zip_folder(work: Path, name: str) -> None:
    """All that a folder holds as one ZIP file in it, the same bytes every time."""
    paths = _files(work)
    with zipfile.ZipFile(work / name, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for path in paths:
            entry = zipfile.ZipInfo(path.relative_to(work).as_posix(), _EARLIEST)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            entry.create_system = 3
            archive.writestr(entry, path.read_bytes())


_HEAD_FIGURES = (
    "-- Every figure of the page, reproduced from the files in this folder. Start DuckDB here and run this file:\n"
    "--   duckdb < figures.sql        or, in Python, duckdb.execute(statement) one after another\n"
    "-- `printed` is what the page says, `again` what the files give, in `unit`; `uncertainty` is a standard one, and\n"
    "-- ± is `k` times it.\n\n"
)
_HEAD_RESULTS = (
    "-- Every result of every run, reproduced from the run's trace alone; the value that was published stands above.\n"
    "-- Where a moment was found by a detector, the statement takes it as given and measures on the samples."
)


def _readme(content: Report, count: int, without: Sequence[PrintedFigure]) -> str:
    lines = [
        f"# Data behind: {content.title}",
        "",
        "Samples are in SI units; times are seconds from a run's first sample; current and power are positive in the",
        "run's direction; an empty cell is a value that the meter did not give. Uncertainties are standard ones",
        "(k = 1); the page prints twice that. Every figure is of the sample tested.",
        "",
        "| file | a row is |",
        "| --- | --- |",
        "| devices.csv | a device, as its sheet describes it |",
        "| claims.csv, verdicts.csv | a claim of the maker; a claim held against results |",
        "| runs.csv | a run: its facts, and the SHA-256 of its trace and of the meter's own export |",
        "| results.csv | a result of a run, with unit, uncertainty, flags, method and span |",
        "| events.csv | an event within a run |",
        "| meters.csv | a meter with its limits of error and its calibration |",
        "| methods.csv | a result's method, with version, formula and source |",
        "| traces/*.parquet | a sample of a run |",
        f"| figures.sql | {count} statements, one per printed figure, over the files here |",
        "| results.sql | a statement per result, over the traces |",
        "| checksums.sha256 | hashes of these files: `sha256sum -c checksums.sha256` |",
        "",
        "To redo a figure start DuckDB in this folder and run figures.sql; `joulebook check-page FOLDER` does it all",
        "and names what differs.",
    ]
    if without:
        lines += ["", "Figures that no single statement over these files gives:", ""]
        lines += [f"- {figure.name}: {figure.amount.text()}" for figure in without]
    return "\n".join(lines) + "\n"
