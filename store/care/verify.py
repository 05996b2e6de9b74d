"""Is the library whole? Files against the catalogue, hashes against bytes, rows against footers.

Knows files and the catalogue; mends only what can be mended without loss.
"""

from __future__ import annotations

import os
import random
import tomllib
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from store.care.named_files import NamedFile, bytes_named, is_named, named_files, names_on_disk, unnamed
from store.care.rebuild import facts_back
from store.care.remake import remake
from store.care.results_check import altered_results
from store.care.rows_check import contradictions
from store.care.strays import set_aside, take_in
from store.care.survey import Stray, survey
from store.catalogue.amendments import broken_link
from store.catalogue.every_value import read_every_value, within_bounds
from store.catalogue.journal import Journal
from store.catalogue.schema_check import check_objects
from store.errors import CatalogueDamaged, DiskFault, NotFound, StoreError, TraceDamaged, UnsafePath
from store.files import durable
from store.files.originals import original_hash
from store.files.traces import arrow_schema, read_footer
from store.imports.originals_back import repoint
from store.runs.recompute import recompute

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["Finding", "verify"]

Progress = Callable[[int, int], None]
_SAMPLE = 16
"""Runs whose results are worked out again where not all are asked for: a changed method or unit touches many."""
_AFTER_LOG = "`joulebook rebuild` brings back runs that were only in it; then remove it."


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is not as it should be."""

    code: str
    """`orphan-trace`, `orphan-original`, `temporary`, `missing-trace`, `damaged-trace`, `unsafe-trace`,
    `missing-original`, `damaged-original`, `unsafe-original`, `rows`, `catalogue`, `amendments`, `own-file`,
    `result` or `log-aside`."""
    subject: str
    """The file, relative to the library, or the row."""
    message: str
    is_repaired: bool = False


def verify(
    library: Store,
    *,
    repair: bool = False,
    quick: bool = False,
    results: bool = False,
    progress: Progress | None = None,
) -> list[Finding]:
    """See `Maintenance.verify`."""
    try:
        findings, strays = _check_catalogue(library, quick=quick)
    except CatalogueDamaged as error:
        return [Finding("catalogue", "catalogue.duckdb", str(error))]
    except duckdb.Error as error:
        cause = str(error).splitlines()[0]
        return [Finding("catalogue", "catalogue.duckdb", str(CatalogueDamaged.of(library.layout.catalogue, cause)))]
    damaged = _check_files(library, quick=quick, progress=progress)
    findings += _check_leftovers(library, repair=repair)
    try:
        if repair:
            damaged = [_original_back(library, finding) for finding in damaged]
        let_go = (finding.subject for finding in damaged if finding.is_repaired)
        strays |= {file for file in let_go if (path := library.layout.entry(file)) and os.path.lexists(path)}
        with library.catalogue.reader() as cursor:
            strays = unnamed(cursor, strays)
        findings += _check_strays(library, strays, damaged, repair=repair)
        findings += _mended(library, damaged) if repair else damaged
    except OSError as error:
        raise DiskFault.of(error, "Repairing") from error
    if not quick:
        findings += _check_results(library, every=results, repair=repair)
    findings += _check_own_files(library)
    return findings


def _check_catalogue(library: Store, *, quick: bool) -> tuple[list[Finding], set[str]]:
    """What is wrong in the catalogue, and the files that it does not name.

    Both at one moment: while it is read nobody commits, so what is not named is not about to be.
    """
    with library.catalogue.reader() as cursor:
        check_objects(cursor, library.layout.catalogue, slow=True)
        wrong = within_bounds(cursor, lambda: list(contradictions(cursor)))
        strays = within_bounds(cursor, lambda: unnamed(cursor, names_on_disk(library.layout)))
        findings = [Finding("rows", subject, message) for subject, message in wrong]
        if not quick:
            findings += _check_tables(cursor)
        return findings, strays


def _check_strays(library: Store, files: set[str], damaged: Sequence[Finding], *, repair: bool) -> list[Finding]:
    """Files that the catalogue does not name: whole ones are taken in, all others set aside."""
    strays = survey(library, files, damaged=[f.subject for f in damaged])
    moved: dict[str, str] = {}
    if repair:
        count, left = take_in(library, strays)
        if count:
            facts_back(library, Journal(library.layout.journal).read())
        moved = {stray.file: stray.why for stray in left}
        gone = set(set_aside(library, left))
    findings = []
    for stray in strays:
        code = "orphan-original" if stray.file.startswith("originals/") else "orphan-trace"
        if not repair:
            what = (
                "adds them to the library"
                if len(stray.wanted) > 1
                else "adds it to the library"
                if stray.wanted
                else "moves it to set_aside/"
            )
            message = f"{stray.file} {stray.why}. `joulebook verify --repair` {what}."
            findings.append(Finding(code, stray.file, message))
        elif stray.file in moved:
            message = f"{stray.file} {moved[stray.file]}; it was moved to set_aside/."
            if stray.file in gone:
                findings.append(Finding(code, stray.file, message, is_repaired=True))
        else:
            findings.append(Finding(code, stray.file, f"{stray.file} {stray.why}; taken in.", is_repaired=True))
    return findings


def _original_back(library: Store, finding: Finding) -> Finding:
    """The catalogue's name of an original put right where that lies whole under the name that its hash gives it."""
    if "original" not in finding.code or not repoint(library, finding.subject):
        return finding
    told = f"{finding.subject} lay under its own name; the catalogue refers to it again."
    return replace(finding, message=told, is_repaired=True)


def _mended(library: Store, damaged: Sequence[Finding]) -> list[Finding]:
    """Damaged traces recreated from originals, as far as these are whole; the damaged files are set aside."""
    findings: list[Finding] = []
    for finding in damaged:
        if "trace" not in finding.code:
            findings.append(finding)
            continue
        outcome = remake(library, finding.subject)
        if outcome.lost:
            told = "; ".join(f"run {run_id}: {why}" for run_id, why in outcome.lost[:5])
            findings.append(
                replace(finding, message=f"{finding.subject} could not be recreated: {told}.{_FROM_BACKUP}")
            )
            continue
        why = "was damaged; its runs were recreated from their originals"
        set_aside(library, [Stray(finding.subject, (), False, why)])
        message = f"{finding.subject} was damaged or missing; its runs were recreated from their originals."
        findings.append(replace(finding, message=message, is_repaired=True))
    return findings


def _check_own_files(library: Store) -> Iterator[Finding]:
    """Profiles and queries that the tester made: no hash is kept of them, for they are edited by hand."""
    for path in library.layout.own_files():
        name = path.relative_to(library.path).as_posix()
        try:
            text = path.read_text(encoding="utf-8")
            if path.suffix == ".toml":
                tomllib.loads(text)
        except (OSError, ValueError, RecursionError) as error:
            yield Finding("own-file", name, f"{name} can't be read: {error}. Repair it, or restore it from a backup.")


def _check_tables(cursor: duckdb.DuckDBPyConnection) -> Iterator[Finding]:
    """Read every value of every table: DuckDB checks each block's checksum on the way."""
    read_every_value(cursor)
    link = broken_link(cursor)
    if link is not None:
        yield Finding(
            "amendments", f"amendment {link}", f"Amendment {link} or one before it was altered after it was written."
        )


def _check_leftovers(library: Store, *, repair: bool) -> list[Finding]:
    layout = library.layout
    logs = sorted(path.name for path in layout.root.glob("catalogue.duckdb.wal.unreadable-*"))
    findings = [Finding("log-aside", name, f"{name} could not be replayed. {_AFTER_LOG}") for name in logs]
    for path in durable.leftovers(layout.tmp):
        if repair:
            durable.remove(path)
        name = path.relative_to(layout.root).as_posix()
        findings.append(
            Finding("temporary", name, f"{name} was left by a program that ended early.", is_repaired=repair)
        )
    return findings


def _check_files(library: Store, *, quick: bool, progress: Progress | None) -> list[Finding]:
    findings = []
    with library.catalogue.reader() as cursor:
        total, done = bytes_named(cursor), 0
    for entry in named_files(library.catalogue.reader):
        finding = _check_named(library, entry, quick=quick)
        if finding is not None:
            with library.catalogue.reader() as cursor:
                if is_named(cursor, entry):
                    findings.append(finding)
        done += entry.size
        if progress:
            progress(done, max(done, total))
    return findings


def _check_named(library: Store, entry: NamedFile, *, quick: bool) -> Finding | None:
    try:
        path = library.layout.absolute(entry.file)
    except UnsafePath as error:
        return Finding(f"unsafe-{entry.kind}", entry.file, str(error))
    return _check_file(path, entry, quick=quick)


def _check_results(library: Store, *, every: bool, repair: bool) -> list[Finding]:
    """Stored results of a drawn sample of runs, or of every run, against what their samples give."""
    with library.catalogue.reader() as cursor:
        known = cursor.execute("SELECT run_id FROM catalogue.run ORDER BY run_id").fetchnumpy()["run_id"]
    places: Sequence[int] = range(len(known))
    if not every and len(places) > _SAMPLE:
        places = sorted(random.SystemRandom().sample(places, _SAMPLE))
    altered = []
    for run_id in (int(known[place]) for place in places):
        with suppress(TraceDamaged, NotFound, OSError):  # a damaged trace is a finding of its own
            altered += altered_results(library, [run_id])
    if repair and altered:
        recompute(library, sorted({entry.run_id for entry in altered}))
    return [Finding("result", f"run {entry.run_id}", entry.told(), is_repaired=repair) for entry in altered]


def _check_file(path: Path, entry: NamedFile, *, quick: bool) -> Finding | None:
    kind = entry.kind
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
            if original_hash(path) != entry.original_sha256:
                return Finding("damaged-original", entry.file, f"{entry.file} does not unpack to what was imported.")
        else:
            _check_trace(path, entry)
    except FileNotFoundError:
        return Finding(f"missing-{kind}", entry.file, f"{entry.file} is missing.{_advice(kind)}")
    except (OSError, StoreError, pa.ArrowException) as error:
        return Finding(f"damaged-{kind}", entry.file, f"{entry.file} can't be read: {error}.{_advice(kind)}")
    return None


_FROM_BACKUP = " Restore it from a backup."


def _advice(kind: str) -> str:
    if kind == "original":
        return " Import the export's own file again: its copy is put back. Or restore it from a backup."
    return " `joulebook verify --repair` recreates it from its original."


def _check_trace(path: Path, entry: NamedFile) -> None:
    footer = read_footer(path)
    with path.open("rb") as file, pq.ParquetFile(file) as parquet:
        if parquet.metadata.num_rows != entry.samples:
            raise TraceDamaged(f"it holds {parquet.metadata.num_rows} samples, not {entry.samples}")
        if not parquet.schema_arrow.equals(arrow_schema()):
            raise TraceDamaged("its columns are not those of a trace")
    if sum(run["rows"] for run in footer["runs"]) != entry.samples:
        raise TraceDamaged("its footer names other samples than it holds")
