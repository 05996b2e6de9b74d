"""Is the library whole? Files against the catalogue, hashes against bytes, rows against footers.

Knows files and the catalogue; mends only what can be mended without loss.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from store.care.repack import remove_unused
from store.catalogue.amendments import broken_link
from store.catalogue.connection import rows
from store.errors import CatalogueDamaged, StoreError, TraceDamaged
from store.files import durable
from store.files.traces import arrow_schema, read_footer

if TYPE_CHECKING:
    from store.library import Library

__all__ = ["Finding", "unpack_original", "verify"]

Progress = Callable[[int, int], None]
_CHUNK = 1 << 20
_AFTER_LOG = "`joulebook rebuild` brings back runs that were only in it; then remove it."


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is not as it should be."""

    code: str
    """`orphan-trace`, `orphan-original`, `temporary`, `missing-trace`, `damaged-trace`, `missing-original`,
    `damaged-original`, `rows`, `catalogue`, `amendments`, `own-file` or `log-aside`."""
    subject: str
    """The file, relative to the library, or the row."""
    message: str
    is_repaired: bool = False


@dataclass(frozen=True, slots=True)
class _Named:
    """A file that the catalogue names."""

    file: str
    sha256: str
    size: int
    samples: int
    original_sha256: str | None
    """For an original: hash of its bytes once unpacked."""


def _names_on_disk(library: Library) -> set[str]:
    layout = library.layout
    found = set()
    for folder in (layout.runs, layout.packs, layout.originals):
        if folder.is_dir():
            found |= {path.relative_to(layout.root).as_posix() for path in folder.iterdir()}
    return found


def _named(cursor: duckdb.DuckDBPyConnection) -> dict[str, _Named]:
    traces: list[Any] = rows(cursor, "SELECT file, sha256, bytes, samples, NULL FROM catalogue.trace_file")
    originals: list[Any] = rows(
        cursor,
        "SELECT stored_as, stored_sha256, stored_bytes, 0, sha256 FROM catalogue.original WHERE stored_as IS NOT NULL",
    )
    return {row[0]: _Named(*row) for row in (*traces, *originals)}


def verify(
    library: Library, *, repair: bool = False, quick: bool = False, progress: Progress | None = None
) -> list[Finding]:
    """See `Library.verify`."""
    try:
        on_disk = _names_on_disk(library)  # before the catalogue: what an import names in between is then no orphan
        with library.catalogue.reader() as cursor:
            named = _named(cursor)
            findings = list(_check_rows(cursor))
            if not quick:
                findings += _check_tables(cursor)
    except CatalogueDamaged as error:
        return [Finding("catalogue", "catalogue.duckdb", str(error))]
    except duckdb.Error as error:
        cause = str(error).splitlines()[0]
        return [Finding("catalogue", "catalogue.duckdb", str(CatalogueDamaged.of(library.layout.catalogue, cause)))]
    findings += _check_leftovers(library, on_disk, set(named), repair=repair)
    findings += _check_files(library, named, on_disk, quick=quick, progress=progress)
    findings += _check_own_files(library)
    return findings


def _check_own_files(library: Library) -> Iterator[Finding]:
    """Profiles and questions that the tester made: no hash is kept of them, for they are edited by hand."""
    for path in library.layout.own_files():
        name = path.relative_to(library.path).as_posix()
        try:
            text = path.read_text(encoding="utf-8")
            if path.suffix == ".toml":
                tomllib.loads(text)
        except (OSError, ValueError) as error:
            yield Finding("own-file", name, f"{name} can't be read: {error}. Mend it, or restore it from a backup.")


def _check_rows(cursor: duckdb.DuckDBPyConnection) -> Iterator[Finding]:
    """Rows of the catalogue against one another."""
    sql = (
        "WITH placed AS (SELECT trace_id, run_id, first_row, samples, "
        "lag(first_row + samples, 1, 0) OVER (PARTITION BY trace_id ORDER BY first_row, samples) AS expected "
        "FROM catalogue.run) SELECT run_id FROM placed WHERE first_row <> expected ORDER BY run_id"
    )
    for (run_id,) in rows(cursor, sql):
        yield Finding("rows", f"run {run_id}", f"Run {run_id} does not follow the run before it in its trace file.")
    sql = (
        "SELECT t.file, t.samples, coalesce(sum(r.samples), 0) FROM catalogue.trace_file t "
        "LEFT JOIN catalogue.run r USING (trace_id) GROUP BY ALL HAVING t.samples <> coalesce(sum(r.samples), 0)"
    )
    for file, samples, named in rows(cursor, sql):
        yield Finding("rows", str(file), f"{file} holds {samples} samples, its runs name {named}.")
    for what, sql in {
        "has no trace file": "SELECT run_id FROM catalogue.run ANTI JOIN catalogue.trace_file USING (trace_id)",
        "is there twice": "SELECT run_id FROM catalogue.run GROUP BY run_id HAVING count(*) > 1",
        "has no preview": "SELECT run_id FROM catalogue.run ANTI JOIN catalogue.preview USING (run_id)",
        "is gone but has results": "SELECT DISTINCT run_id FROM catalogue.result "
        "ANTI JOIN catalogue.run USING (run_id) WHERE run_id IS NOT NULL",
        "is gone but has events": "SELECT DISTINCT run_id FROM catalogue.event ANTI JOIN catalogue.run USING (run_id)",
        "has a result twice": "SELECT DISTINCT run_id FROM (SELECT run_id, name FROM catalogue.result "
        "WHERE is_current AND run_id IS NOT NULL GROUP BY ALL HAVING count(*) > 1)",
    }.items():
        for (run_id,) in rows(cursor, sql):
            yield Finding("rows", f"run {run_id}", f"Run {run_id} {what}.")


def _check_tables(cursor: duckdb.DuckDBPyConnection) -> Iterator[Finding]:
    """Read every value of every table: DuckDB checks each block's checksum on the way."""
    for (table,) in rows(cursor, "SELECT table_name FROM duckdb_tables() WHERE database_name = 'catalogue'"):
        cursor.execute(f"SELECT bit_xor(hash(t)) FROM catalogue.{table} t").fetchall()
    link = broken_link(cursor)
    if link is not None:
        yield Finding(
            "amendments", f"amendment {link}", f"Amendment {link} or one before it was altered after it was written."
        )


def _check_leftovers(library: Library, on_disk: set[str], named: set[str], *, repair: bool) -> list[Finding]:
    layout = library.layout
    findings: list[Finding] = []
    logs = sorted(path.name for path in layout.root.glob("catalogue.duckdb.wal.unreadable-*"))
    findings += [Finding("log-aside", name, f"{name} could not be replayed. {_AFTER_LOG}") for name in logs]
    orphans = sorted(on_disk - named)
    may_remove = repair and not logs
    if may_remove:
        remove_unused(library, orphans)
    for file in orphans:
        code = "orphan-original" if file.startswith("originals/") else "orphan-trace"
        tail = "" if may_remove else " Import it again, or `joulebook verify --repair` removes it."
        if logs:
            tail = " Run `joulebook rebuild` first: it may belong to the log that was moved aside."
        message = f"{file} belongs to no run: an import or a pack was cut short.{tail}"
        findings.append(Finding(code, file, message, is_repaired=may_remove))
    for path in durable.leftovers(layout.tmp):
        if repair:
            durable.remove(path)
        name = path.relative_to(layout.root).as_posix()
        findings.append(
            Finding("temporary", name, f"{name} was left by a program that ended early.", is_repaired=repair)
        )
    return findings


def _check_files(
    library: Library, named: dict[str, _Named], on_disk: set[str], *, quick: bool, progress: Progress | None
) -> list[Finding]:
    findings = []
    total, done = sum(entry.size for entry in named.values()), 0
    for file, entry in named.items():
        path = library.layout.absolute(file)
        finding = None
        if file not in on_disk or not quick or path.stat().st_size != entry.size:
            finding = _check_file(path, entry, quick=quick)
        if finding and _is_named_still(library, entry):
            findings.append(finding)
        done += entry.size
        if progress:
            progress(done, total)
    return findings


def _is_named_still(library: Library, entry: _Named) -> bool:
    """False where a pack or a deletion took the file away while we looked."""
    with library.catalogue.reader() as cursor:
        return _named(cursor).get(entry.file) == entry


def _check_file(path: Path, entry: _Named, *, quick: bool) -> Finding | None:
    kind = "original" if entry.original_sha256 else "trace"
    try:
        size = path.stat().st_size
        if size != entry.size:
            return Finding(
                f"damaged-{kind}",
                entry.file,
                f"{entry.file} has {size} bytes, it was written with {entry.size}.{_advice(kind)}",
            )
        if quick:
            return None
        if durable.hash_file(path) != entry.sha256:
            return Finding(
                f"damaged-{kind}",
                entry.file,
                f"{entry.file} is not what was written: its SHA-256 differs.{_advice(kind)}",
            )
        if entry.original_sha256:
            if _original_hash(path) != entry.original_sha256:
                return Finding("damaged-original", entry.file, f"{entry.file} does not unpack to what was imported.")
        else:
            _check_trace(path, entry)
    except FileNotFoundError:
        return Finding(f"missing-{kind}", entry.file, f"{entry.file} is missing.{_advice(kind)}")
    except (OSError, StoreError, pa.ArrowException) as error:
        return Finding(f"damaged-{kind}", entry.file, f"{entry.file} can't be read: {error}.{_advice(kind)}")
    return None


def _advice(kind: str) -> str:
    if kind == "original":
        return " Restore it from a backup, or put the export's own file back by importing it into another library."
    return " Restore it from a backup, or delete its runs and import their original again."


def unpack_original(path: Path) -> Iterator[bytes]:
    """The bytes of an original, piece by piece.

    Raises:
        TraceDamaged: It can't be unpacked.
    """
    try:
        with pa.OSFile(str(path)) as file, pa.CompressedInputStream(file, "zstd") as stream:
            while block := stream.read(_CHUNK):
                yield bytes(block)
    except pa.ArrowException as error:
        raise TraceDamaged(f"{path} can't be unpacked: {error}.") from error


def _original_hash(path: Path) -> str:
    digest = hashlib.sha256()
    for block in unpack_original(path):
        digest.update(block)
    return digest.hexdigest()


def _check_trace(path: Path, entry: _Named) -> None:
    footer = read_footer(path)
    with path.open("rb") as file, pq.ParquetFile(file) as parquet:
        if parquet.metadata.num_rows != entry.samples:
            raise TraceDamaged(f"it holds {parquet.metadata.num_rows} samples, not {entry.samples}")
        if not parquet.schema_arrow.equals(arrow_schema()):
            raise TraceDamaged("its columns are not those of a trace")
    if sum(run["rows"] for run in footer["runs"]) != entry.samples:
        raise TraceDamaged("its footer names other samples than it holds")
