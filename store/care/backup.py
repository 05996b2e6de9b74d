"""One consistent archive of a library, and the way back.

A plain tar: the catalogue as it was at one moment, and exactly the files that it names, each checked against its hash
on the way. Knows files; the catalogue only by its copy.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
import stat
import tarfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path, PurePosixPath
from typing import IO, TYPE_CHECKING

import duckdb

from store.care.named_files import bytes_named, named_files
from store.catalogue.connection import locked_engine
from store.errors import DiskFault, NotALibrary, TraceDamaged, WrongFact
from store.files import durable

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["backup", "restore"]

Progress = Callable[[int, int], None]
_MANIFEST = "manifest.sha256"
"""Hash and name of every file, in the archive's order, as common tools for hashes read it."""
_OLD_MANIFEST = "manifest.json"
"""Its form up to version 1 of the archive: one JSON document."""
_CATALOGUE = "catalogue.duckdb"
_MEMBER = re.compile(
    r"catalogue\.duckdb|manifest\.(json|sha256)|(traces/runs|traces/packs|originals)/[A-Za-z0-9_][A-Za-z0-9._-]{0,180}"
    r"|profiles/[^/\\:\0\r\n]{1,200}\.toml|(questions|queries)/[^/\\:\0\r\n]{1,200}\.sql"
)
"""What a backup holds, and nothing else."""
_TRIES = 5


class _FileWentAwayError(Exception):
    """A pack took a file's place while the archive was written."""


class _HashingReader(io.RawIOBase):
    def __init__(self, file: IO[bytes], told: Callable[[int], None]) -> None:
        super().__init__()
        self._file = file
        self._told = told
        self.digest = hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        block = self._file.read(size)
        self.digest.update(block)
        self._told(len(block))
        return block


def backup(library: Store, target: Path, progress: Progress | None = None) -> int:
    """Write an archive: see `Maintenance.backup`.

    Raises:
        WrongFact: There is such a file already, or it would lie inside the library.
        TraceDamaged: A file isn't what the catalogue says; nothing is left behind.
        DiskFault: The disk refused; nothing is left behind.
    """
    if target.exists():
        raise WrongFact(f"{target} exists already. Name another file, or remove it first.")
    if library.path.resolve() in target.resolve().parents:
        raise WrongFact(f"{target} lies inside the library. A backup belongs elsewhere, best on another disk.")
    try:
        _sweep_beside(target, ".part")
        for last in range(_TRIES):
            try:
                return _write(library, target, progress)
            except _FileWentAwayError:
                if last == _TRIES - 1:
                    raise
    except OSError as error:
        error.filename = error.filename or str(target)
        raise DiskFault.of(error, "Writing the backup") from error
    except _FileWentAwayError as error:
        raise TraceDamaged(f"{error} is missing. Run `joulebook verify`.") from error
    raise AssertionError


def _sweep_beside(target: Path, suffix: str) -> None:
    """Remove what an earlier try at the same file or folder left when it was killed."""
    for path in list(durable.leftovers(target.parent)):
        if path.name.endswith(target.name + suffix):
            shutil.rmtree(path, ignore_errors=True) if path.is_dir() else durable.remove(path)


@contextmanager
def _read(copy: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with locked_engine(copy) as engine:
        quoted = str(copy).replace("'", "''")
        engine.execute(f"ATTACH '{quoted}' AS catalogue (READ_ONLY)")
        yield engine


def _can_write(folder: Path) -> bool:
    """Whether files can be made there: a library on a disk that is only read is backed up all the same."""
    probe = durable.new_temporary(folder, ".probe")
    try:
        probe.open("xb").close()
        probe.unlink()
    except OSError:
        return False
    return True


def _write(library: Store, target: Path, progress: Progress | None) -> int:
    room = library.layout.tmp if _can_write(library.layout.tmp) else target.parent
    copy = durable.new_temporary(room, ".copy.duckdb")
    manifest = durable.new_temporary(room, ".sha256")
    part = durable.new_temporary(target.parent, target.name + ".part")
    try:
        library.catalogue.copy_to(copy, room)
        durable.step("open", part)
        with part.open("xb") as file:
            with (
                tarfile.open(fileobj=file, mode="w", format=tarfile.PAX_FORMAT) as archive,
                manifest.open("x+b") as told,
            ):
                _write_files(library, copy, _Archive(archive, told), progress)
                told.flush()
                told.seek(0)
                facts = tarfile.TarInfo(_MANIFEST)
                facts.size = manifest.stat().st_size
                archive.addfile(facts, told)
            file.flush()
            durable.step("fsync", part)
            os.fsync(file.fileno())
        durable.place(part, target)
        durable.fsync_folder(target.parent)
        return target.stat().st_size
    finally:
        for path in (copy, manifest, part):
            durable.remove(path, announce=False)


def _write_files(library: Store, copy: Path, archive: _Archive, progress: Progress | None) -> None:
    with _read(copy) as engine:
        total, done = bytes_named(engine) + copy.stat().st_size, 0

        def told(size: int) -> None:
            nonlocal done
            done += size
            if progress:
                progress(done, max(done, total))

        archive.add(copy, _CATALOGUE, told)
        for entry in named_files(lambda: nullcontext(engine)):
            if archive.add(library.layout.absolute(entry.file), entry.file, told) != entry.sha256:
                raise TraceDamaged(
                    f"{entry.file} is not what was written: its SHA-256 differs. Run `joulebook verify`."
                )
        for path in library.layout.own_files():
            name = path.relative_to(library.path).as_posix()
            if not _MEMBER.fullmatch(name) or not _is_text(name) or not path.is_file():
                raise WrongFact(
                    f"{name!r} can't be restored on every system. Give it a name without : and \\, shorter than "
                    "200 letters, or move it out of the library; then back up again. Nothing was written."
                )
            archive.add(path, name, told)


def _is_text(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class _Archive:
    """An archive that is written, and its list of files; neither is held in memory."""

    archive: tarfile.TarFile
    manifest: IO[bytes]

    def add(self, path: Path, name: str, told: Callable[[int], None]) -> str:
        """Append a file; its hash."""
        try:
            with path.open("rb") as file:
                facts = tarfile.TarInfo(name)
                found = os.fstat(file.fileno())
                facts.size, facts.mtime, facts.mode = found.st_size, int(found.st_mtime), stat.S_IMODE(found.st_mode)
                durable.step("write", path)
                reader = _HashingReader(file, told)
                self.archive.addfile(facts, reader)
        except FileNotFoundError as error:
            raise _FileWentAwayError(name) from error
        self.archive.members.clear()  # type: ignore[attr-defined]  # every member's facts: 300 MB at 100,000 runs
        sha256 = reader.digest.hexdigest()
        self.manifest.write(f"{sha256}  {name}\n".encode())
        return sha256


def restore(source: Path, path: Path, progress: Progress | None = None) -> None:
    """Unpack an archive into a new folder, every file checked against the archive's own list.

    Raises:
        NotALibrary: The file is no such archive, or the folder is not empty.
        TraceDamaged: A file in it isn't what was archived; nothing is left behind.
        DiskFault: The disk refused; nothing is left behind.
    """
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise NotALibrary(f"{path} is not an empty folder. Name a new one to restore into.")
    part = durable.new_temporary(path.parent, path.name + ".restore")
    try:
        _sweep_beside(path, ".restore")
        durable.make_folder(part)
        found = durable.new_temporary(part, ".sha256")
        with tarfile.open(source, mode="r:") as archive, found.open("x+b") as told:
            _unpack(archive, part, source.stat().st_size, told, progress)
            told.seek(0)
            _check(part, told, source)
        durable.remove(found, announce=False)
        for file in part.rglob("*"):
            if file.is_file():
                durable.fsync_file(file)
        for folder in sorted({part, *(folder for folder in part.rglob("*") if folder.is_dir())}):
            durable.fsync_folder(folder)
        if path.exists():
            path.rmdir()
        durable.place(part, path)
        durable.fsync_folder(path.parent)
    except tarfile.TarError as error:
        raise NotALibrary(f"{source} is not a backup of a library: {error}.") from error
    except OSError as error:
        raise DiskFault.of(error, "Restoring") from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _unpack(archive: tarfile.TarFile, part: Path, total: int, told: IO[bytes], progress: Progress | None) -> None:
    """Every file of the archive below a folder, with a line of each in the form of the archive's own list."""
    done = 0
    while (member := archive.next()) is not None:
        archive.members.clear()  # type: ignore[attr-defined]  # as in `_Archive.add`
        if not member.isreg() or member.issparse() or not _MEMBER.fullmatch(member.name):
            raise NotALibrary(f"The archive holds {member.name[:120]!r}, which no backup of a library does.")
        if done + member.size > total:
            raise NotALibrary(f"The archive says that {member.name!r} is larger than the archive itself.")
        content = archive.extractfile(member)
        if content is None:
            raise NotALibrary(f"The archive's {member.name!r} can't be read.")
        target = part.joinpath(*PurePosixPath(member.name).parts)
        durable.make_folder(target.parent)
        if target.exists():
            raise NotALibrary(f"The archive holds {member.name[:120]!r} twice, which no backup of a library does.")
        with durable.HashingFile(target) as file:
            for block in _blocks(content):
                file.write(block)
            file.commit(is_flushed=False)
        if member.name not in {_MANIFEST, _OLD_MANIFEST}:
            told.write(f"{file.sha256}  {member.name}\n".encode())
        done += member.size
        if progress:
            progress(done, total)


def _blocks(content: IO[bytes]) -> Iterator[bytes]:
    while block := content.read(1 << 20):
        yield block


def _check(part: Path, found: IO[bytes], source: Path) -> None:
    """What was unpacked against the archive's own list, line by line."""
    if not (part / _CATALOGUE).is_file():
        raise NotALibrary(f"{source} is not a backup of a library, or it was cut short.")
    manifest, old = part / _MANIFEST, part / _OLD_MANIFEST
    if manifest.is_file() == old.is_file():
        raise NotALibrary(f"{source} is not a backup of a library, or it was cut short.")
    if old.is_file():
        _check_old(old, found, source)
        old.unlink()
        return
    with manifest.open("rb") as stated:
        for mine, theirs in zip_longest(found, stated):
            if mine == theirs:
                continue
            if theirs is None or mine is None or mine[64:] != theirs[64:]:
                raise _other_files(mine, theirs, source)
            raise TraceDamaged(f"{_name_of(mine)} in {source} is not what was archived.")
    manifest.unlink()


def _name_of(line: bytes) -> str:
    return line[66:].decode("utf-8", "replace").rstrip("\n")[:120]


def _other_files(mine: bytes | None, theirs: bytes | None, source: Path) -> NotALibrary:
    if mine is not None:
        return NotALibrary(f"{source} holds {_name_of(mine)!r}, which its list of files lacks: somebody added it.")
    told = _name_of(theirs or b"")
    return NotALibrary(
        f"{source} lacks {told!r}, which its list of files names: it was cut short, or somebody took it."
    )


def _check_old(manifest: Path, found: IO[bytes], source: Path) -> None:
    unpacked = {_name_of(line): line[:64].decode() for line in found}
    try:
        stated = json.loads(manifest.read_text(encoding="utf-8"))["files"]
        listed = {str(name): str(sha256) for name, sha256 in stated.items()}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise NotALibrary(f"{source} is not a backup of a library: its list of files can't be read.") from error
    beside = sorted(unpacked.keys() - listed.keys())
    if beside:
        raise NotALibrary(f"{source} holds {beside[0]!r}, which its list of files lacks: it was added later.")
    for name, sha256 in listed.items():
        if unpacked.get(name) != sha256:
            raise TraceDamaged(f"{name} in {source} is not what was archived.")
