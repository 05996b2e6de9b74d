"""Files into the library: an importer's reading composed with the library's all-or-nothing import.

The one place that knows both importers and store. Knows no screen and prints nothing; used by the command line and
by the interface.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import importers
from importers import ImportRefused, Inspection, Profile
from importers.schema import Facts, ImportedExport
from store import Library, LibraryBusy, NotFound, StoreError
from store.model import IngestOutcome

__all__ = [
    "ENDINGS",
    "FileOutcome",
    "Found",
    "Order",
    "find_files",
    "import_file",
    "inspect_file",
    "profiles_for",
]

ENDINGS = frozenset({".csv", ".tsv", ".tab", ".txt", ".log", ".dat", ".asc", ".xlsx"})
"""Endings of files that a folder's import takes for exports."""

PACKED = frozenset({".gz", ".zst"})
"""Endings that may stand behind one of them."""

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

    @property
    def run_ids(self) -> tuple[int, ...]:
        """The runs that the file's bytes made, now or before."""
        return tuple(run["run_id"] for run in self.runs)


@dataclass(frozen=True, slots=True)
class Found:
    """The files that paths and folders stand for."""

    files: tuple[Path, ...]
    passed_over: tuple[Path, ...] = field(default_factory=tuple)
    """Files in folders whose ending is no export's."""


def find_files(paths: Iterable[Path]) -> Found:
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
    return Found(tuple(dict.fromkeys(files)), tuple(passed_over))


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


def profiles_for(library: Library | None, only: str | None = None) -> Sequence[Profile]:
    """Profiles to try: the library's own, then those that ship.

    Raises:
        NotFound: no profile has the name asked for.
    """
    own = importers.load_profiles(library.path / "profiles") if library is not None else ()
    known = [*own, *(shipped for shipped in importers.SHIPPED if shipped.name not in {p.name for p in own})]
    if only is None:
        return known
    fitting = [profile for profile in known if profile.name == only]
    if not fitting:
        raise NotFound.of("profile", only, sorted(profile.name for profile in known))
    return fitting


def inspect_file(path: Path, library: Library | None, order: Order) -> Inspection:
    """What the importer makes of a file.

    Raises:
        ImportRefused: the file is empty, binary, a folder, unreadable or no table.
        NotFound: no profile has the name asked for.
    """
    zone = order.zone or (library.zone if library is not None else "UTC")
    profiles = profiles_for(library, order.profile)
    return importers.inspect(path, profiles=profiles, zone=zone, answers=dict(order.answers))


def import_file(library: Library, path: Path, order: Order, progress: Progress | None = None) -> FileOutcome:
    """Import one file, all or nothing; what a person can cause comes back as a value, not as an exception.

    Args:
        library: Where its runs go.
        path: The export.
        order: Facts, profile, answers.
        progress: Called with (done, total) bytes.
    """
    try:
        return _import(library, path, order, progress)
    except LibraryBusy as busy:
        return FileOutcome(str(path), "refused", reason=str(busy), is_busy=True)
    except (ImportRefused, StoreError) as refused:
        return FileOutcome(str(path), "refused", reason=str(refused))
    except OSError as error:
        return FileOutcome(str(path), "refused", reason=f"{path} can't be read: {error.strerror or error}.")


def _import(library: Library, path: Path, order: Order, progress: Progress | None) -> FileOutcome:
    if order.is_dry:
        return _look(library, path, order)
    with library.begin_import(path, order.facts) as job:
        if job.already_outcome is not None:
            return FileOutcome(str(path), "already", _known(job.already_outcome))
        inspection = inspect_file(path, library, order)
        _refuse_if_unsure(inspection)
        zone = order.zone or library.zone
        export = importers.read(path, inspection, job, facts=order.facts, zone=zone, progress=progress)
        outcome = job.commit(export)
    return FileOutcome(str(path), "imported", _runs_of(export, outcome), profile=export.profile)


def _known(outcome: IngestOutcome) -> tuple[Mapping[str, Any], ...]:
    """The runs that the same bytes made before."""
    return tuple({"run_id": run, "port": port} for run, port in zip(outcome.run_ids, outcome.ports, strict=True))


def _look(library: Library, path: Path, order: Order) -> FileOutcome:
    """What an import would do, without storing anything."""
    inspection = inspect_file(path, library, order)
    _refuse_if_unsure(inspection)
    return FileOutcome(str(path), "checked", profile=inspection.profile or "proposed", reason=inspection.in_words())


def _refuse_if_unsure(inspection: Inspection) -> None:
    """Refuse a file whose inspection leaves a question open, with the option that answers it.

    Raises:
        ImportRefused: naming each open question.
    """
    if not inspection.is_sure:
        raise ImportRefused.unanswered(inspection)


def _runs_of(export: ImportedExport, outcome: IngestOutcome) -> tuple[Mapping[str, Any], ...]:
    return tuple({**detail, "profile": export.profile} for detail in outcome.details)
