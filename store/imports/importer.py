"""Files into the library: an importer's reading composed with the library's all-or-nothing import.

The one place that knows both importers and store. Knows no screen and prints nothing; used by the command line and
by the interface.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl

import importers
from importers import ImportProblem, ImportRefused, Inspection, Profile
from importers.reading.importing import ProfileCheck
from importers.schema import Facts, ImportedExport, ImportSink, RunStart
from store.core import Store
from store.errors import LibraryBusy, NotFound, StoreError, WrongFact
from store.imports.job import ImportJob
from store.model.records import IngestOutcome

__all__ = [
    "ENDINGS",
    "REFUSALS",
    "FileOutcome",
    "FoundFiles",
    "Order",
    "all_profiles",
    "check_profiles",
    "find_files",
    "import_file",
    "imported",
    "inspect_file",
    "keep_profile",
    "known_before",
    "named_profile",
    "own_profiles",
    "read_into",
    "refusal",
]

ENDINGS = frozenset(
    {".csv", ".tsv", ".tab", ".txt", ".log", ".dat", ".asc", ".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"}
    | {".json", ".jsonl", ".zip"}
)
"""Endings of files that a folder's import takes for exports."""

PACKED = frozenset({".gz", ".zst"})
"""Endings that may stand behind one of them."""

_PROFILE_NAME = re.compile(r"[\w-]{1,60}", re.ASCII)

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What became of one file."""

    file: str
    """As the person named it."""
    status: str
    """`imported`, `already`, `refused`, `checked` (a dry run) or `not read` (stopped before its turn)."""
    runs: tuple[Mapping[str, Any], ...] = ()
    """One mapping per run: run_id, port, channels, samples, span_s, profile, warnings."""
    reason: str = ""
    """Why it was refused, in sentences."""
    profile: str = ""
    is_busy: bool = False
    """True where only another process's hold on the library stood in the way."""
    is_beginning: bool = False
    """With `already`: those runs begin with this file's samples and go on."""
    questions: tuple[Mapping[str, Any], ...] = ()
    """What must be answered first: id, text, choices, option."""

    @property
    def run_ids(self) -> tuple[int, ...]:
        """The runs that the file's bytes made, now or before."""
        return tuple(run["run_id"] for run in self.runs)


@dataclass(frozen=True, slots=True)
class FoundFiles:
    """The files that paths and folders stand for."""

    files: tuple[Path, ...]
    passed_over: tuple[Path, ...] = field(default_factory=tuple)
    """Files in folders whose ending is no export's."""


def find_files(paths: Iterable[Path]) -> FoundFiles:
    """Files as named, and those below folders whose ending is an export's, in order of name.

    A path that is not there stays in the list: its import says so.
    """
    files: list[Path] = []
    passed_over: list[Path] = []
    for path in paths:
        if not path.is_dir():
            files.append(path)
            continue
        for entry in sorted(path.rglob("*")):
            below = entry.relative_to(path).parts
            if any(part.startswith(".") for part in below) or not entry.is_file():
                continue
            (files if _looks_like_export(entry) else passed_over).append(entry)
    once = {file.resolve(): file for file in reversed(files)}  # a file named twice, through a link too, is read once
    return FoundFiles(tuple(file for file in dict.fromkeys(files) if once[file.resolve()] == file), tuple(passed_over))


def _looks_like_export(path: Path) -> bool:
    endings = [ending.lower() for ending in path.suffixes[-2:]]
    if endings and endings[-1] in PACKED:
        endings.pop()
    return bool(endings) and endings[-1] in ENDINGS


@dataclass(frozen=True, slots=True)
class Order:
    """What a person says once for all files of one import."""

    facts: Facts = field(default_factory=Facts)
    profile: str | None = None
    """Read by this profile alone; None tries all."""
    answers: Mapping[str, str] = field(default_factory=dict)
    """Answers to an inspection's questions, by their ids."""
    zone: str | None = None
    """Zone of local times; None is the library's."""
    is_dry: bool = False
    """Look and say, store nothing."""
    is_own: bool = False
    """A longer version of an imported log becomes a run of its own, not that log's new version."""


def own_profiles(library: Store | None) -> tuple[Profile, ...]:
    """Profiles that this library's tester made; those that ship are always tried beside them.

    Raises:
        ProfileInvalid: one of them can't be read.
    """
    return importers.load_profiles(library.path / "profiles") if library is not None else ()


def all_profiles(library: Store | None) -> tuple[Profile, ...]:
    """The library's own profiles, then those that ship."""
    return (*own_profiles(library), *importers.shipped_profiles())


def named_profile(library: Store | None, name: str) -> Profile:
    """A profile by its name.

    Raises:
        NotFound: there is none of that name.
    """
    known = {profile.name: profile for profile in reversed(all_profiles(library))}
    if name not in known:
        raise NotFound.of("profile", name, sorted(known))
    return known[name]


def keep_profile(library: Store, path: Path, name: str, order: Order, *, overwrite: bool = False) -> Path:
    """Keep how a file is read as a profile of the library.

    Raises:
        ImportRefused: the file can't be read, or questions about it are open.
        WrongFact: the name makes no file name, or is taken.
    """
    if not _PROFILE_NAME.fullmatch(name):
        raise WrongFact(f"{name} is not a valid profile name: use letters, digits, - and _, as bench-meter.")
    place = library.path / "profiles" / f"{name}.toml"
    if place.exists() and not overwrite:
        raise WrongFact(f"There is a profile {name} already. Name another, or overwrite it with --force.")
    text = inspect_file(path, library, order).as_profile(name).to_toml()
    beside = place.with_suffix(".part")
    beside.write_text(text, "utf-8")
    beside.replace(place)
    return place


def check_profiles(path: Path, library: Store | None) -> Sequence[ProfileCheck]:
    """What every profile finds in a file.

    Raises:
        ImportRefused: there is no table to look at.
    """
    zone = library.zone if library is not None else "UTC"
    return importers.check_profiles(path, own_profiles(library), zone=zone)


def inspect_file(path: Path, library: Store | None, order: Order) -> Inspection:
    """What the importer makes of a file.

    Raises:
        ImportRefused: the file is empty, binary, a folder, unreadable or no table, or the profile is none or misfits.
    """
    zone = order.zone or (library.zone if library is not None else "UTC")
    return importers.inspect(
        path, profiles=own_profiles(library), profile=order.profile, zone=zone, answers=order.answers
    )


def import_file(library: Store, path: Path, order: Order, progress: Progress | None = None) -> FileOutcome:
    """Import one file, all or nothing; what a person can cause comes back as a value, not as an exception.

    Args:
        library: Where its runs go.
        path: The export.
        order: Facts, profile, answers.
        progress: Called with (done, total) bytes.
    """
    try:
        return _import(library, path, order, progress)
    except REFUSALS as refused:
        return refusal(path, refused)


REFUSALS = (ImportProblem, StoreError, OSError, OverflowError)
"""What a person can cause while a file is imported."""


def refusal(path: Path, error: Exception) -> FileOutcome:
    """The outcome of a file whose import raised one of REFUSALS."""
    if isinstance(error, OverflowError):
        told = f"{path}: a number in it is too large to calculate with. Is a column misread? "
        return FileOutcome(str(path), "refused", reason=f"{told}`joulebook inspect` shows how the file is read.")
    if isinstance(error, OSError) and error.errno == errno.EROFS:
        return FileOutcome(str(path), "refused", reason=f"{path} was not stored: the library's disk is read-only.")
    if isinstance(error, OSError):
        return FileOutcome(str(path), "refused", reason=f"{path} can't be read: {error.strerror or error}.")
    questions = tuple(q.as_json() for q in error.questions) if isinstance(error, ImportRefused) else ()
    busy = isinstance(error, LibraryBusy)
    return FileOutcome(str(path), "refused", reason=str(error), is_busy=busy, questions=questions)


def _import(library: Store, path: Path, order: Order, progress: Progress | None) -> FileOutcome:
    if order.is_dry:
        return _look(library, path, order, progress)
    with ImportJob(library, path, order.facts, is_own=order.is_own) as job:
        if job.already_outcome is not None:
            return known_before(path, job.already_outcome)
        export = read_into(job, library, path, order, progress)
        return imported(path, export, job.commit(export))


def read_into(sink: ImportSink, library: Store, path: Path, order: Order, progress: Progress | None) -> ImportedExport:
    """Inspect a file and push its samples into a sink.

    Raises:
        ImportRefused: it can't be read, or a question about it is open.
    """
    inspection = inspect_file(path, library, order)
    zone = order.zone or library.zone
    return importers.read(path, inspection, sink, facts=order.facts, zone=zone, progress=progress)


def imported(path: Path, export: ImportedExport, outcome: IngestOutcome) -> FileOutcome:
    """The outcome of a file that is stored, by us or, while we read it, by another process."""
    if outcome.already:
        return known_before(path, outcome)
    return FileOutcome(str(path), "imported", _runs_of(export, outcome), profile=export.profile)


def known_before(path: Path, outcome: IngestOutcome) -> FileOutcome:
    """The outcome of a file whose bytes were imported before."""
    runs = tuple({"run_id": run, "port": port} for run, port in zip(outcome.run_ids, outcome.ports, strict=True))
    return FileOutcome(str(path), "already", runs, is_beginning=outcome.is_beginning)


class _Nowhere:
    """A sink that keeps nothing: for a dry run, which reads every line as an import would."""

    def open_run(self, start: RunStart) -> _Nowhere:  # noqa: ARG002 (the sink's protocol)
        return self

    def write(self, samples: pl.DataFrame) -> None:
        """Take samples, keep none."""


def _look(library: Store, path: Path, order: Order, progress: Progress | None) -> FileOutcome:
    """Read a file as an import would, and store nothing."""
    export = read_into(_Nowhere(), library, path, order, progress)
    samples = sum(run.samples for run in export.runs)
    told = f"{samples:,} samples in {len(export.runs)} run{'s' * (len(export.runs) != 1)}, profile {export.profile}"
    return FileOutcome(str(path), "checked", profile=export.profile, reason=told)


def _runs_of(export: ImportedExport, outcome: IngestOutcome) -> tuple[Mapping[str, Any], ...]:
    """What is told of each run; findings about the whole file stand with its first run."""
    runs = [{**detail, "profile": export.profile} for detail in outcome.details]
    told = [problem.message for problem in export.problems]
    if runs:
        kept = list(runs[0].get("warnings", ()))
        runs[0]["warnings"] = [*kept, *(message for message in told if message not in kept)]
    return tuple(runs)
