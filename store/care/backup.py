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
import tarfile
from collections.abc import Callable, Iterator
from pathlib import Path, PurePosixPath
from typing import IO, TYPE_CHECKING, Any

import duckdb

from store.catalogue.connection import rows
from store.errors import DiskFault, NotALibrary, TraceDamaged, WrongFact
from store.files import durable
from store.version import __version__

if TYPE_CHECKING:
    from store.library import Library

__all__ = ["backup", "restore"]

Progress = Callable[[int, int], None]
_MANIFEST = "manifest.json"
_CATALOGUE = "catalogue.duckdb"
_MEMBER = re.compile(
    r"catalogue\.duckdb|manifest\.json|(traces/runs|traces/packs|originals)/[A-Za-z0-9_][A-Za-z0-9._-]{0,180}"
    r"|profiles/[^/\\:\0]{1,200}\.toml|(questions|queries)/[^/\\:\0]{1,200}\.sql"
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


def backup(library: Library, target: Path, progress: Progress | None = None) -> int:
    """Write an archive: see `Library.backup`.

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


def _listed(copy: Path) -> list[tuple[str, str, int]]:
    engine = duckdb.connect(str(copy), read_only=True)
    try:
        sql = (
            "SELECT file, sha256, bytes FROM trace_file UNION ALL "
            "SELECT stored_as, stored_sha256, stored_bytes FROM original WHERE stored_as IS NOT NULL ORDER BY 1"
        )
        found: list[Any] = rows(engine, sql)
        return found
    finally:
        engine.close()


def _can_write(folder: Path) -> bool:
    """Whether files can be made there: a library on a disk that is only read is backed up all the same."""
    probe = durable.new_temporary(folder, ".probe")
    try:
        probe.open("xb").close()
        probe.unlink()
    except OSError:
        return False
    return True


def _write(library: Library, target: Path, progress: Progress | None) -> int:
    room = library.layout.tmp if _can_write(library.layout.tmp) else target.parent
    copy = durable.new_temporary(room, ".copy.duckdb")
    part = durable.new_temporary(target.parent, target.name + ".part")
    try:
        library.catalogue.copy_to(copy, room)
        listed = _listed(copy)
        total, done = sum(size for _, _, size in listed) + copy.stat().st_size, 0

        def told(size: int) -> None:
            nonlocal done
            done += size
            if progress:
                progress(done, total)

        durable.step("open", part)
        with part.open("xb") as file:
            with tarfile.open(fileobj=file, mode="w", format=tarfile.PAX_FORMAT) as archive:
                hashes = {_CATALOGUE: _add(archive, copy, _CATALOGUE, told)}
                for name, sha256, _ in listed:
                    hashes[name] = _add(archive, library.layout.absolute(name), name, told)
                    if hashes[name] != sha256:
                        raise TraceDamaged(
                            f"{name} is not what was written: its SHA-256 differs. Run `joulebook verify`."
                        )
                for path in library.layout.own_files():
                    name = path.relative_to(library.path).as_posix()
                    hashes[name] = _add(archive, path, name, told)
                _add_manifest(archive, hashes)
            file.flush()
            durable.step("fsync", part)
            os.fsync(file.fileno())
        durable.place(part, target)
        durable.fsync_folder(target.parent)
        return target.stat().st_size
    finally:
        durable.remove(copy, announce=False)
        durable.remove(part, announce=False)


def _add(archive: tarfile.TarFile, path: Path, name: str, told: Callable[[int], None]) -> str:
    try:
        with path.open("rb") as file:
            facts = archive.gettarinfo(arcname=name, fileobj=file)
            facts.uid = facts.gid = 0
            facts.uname = facts.gname = ""
            durable.step("write", path)
            reader = _HashingReader(file, told)
            archive.addfile(facts, reader)
            return reader.digest.hexdigest()
    except FileNotFoundError as error:
        raise _FileWentAwayError(name) from error


def _add_manifest(archive: tarfile.TarFile, hashes: dict[str, str]) -> None:
    text = json.dumps({"format": 1, "program_version": __version__, "files": hashes}, indent=1).encode()
    facts = tarfile.TarInfo(_MANIFEST)
    facts.size = len(text)
    archive.addfile(facts, io.BytesIO(text))


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
        with tarfile.open(source, mode="r:") as archive:
            found = _unpack(archive, part, source.stat().st_size, progress)
        _check(part, found, source)
        for folder in sorted({part, *(path for path in part.rglob("*") if path.is_dir())}):
            durable.fsync_folder(folder)
        if path.exists():
            path.rmdir()
        durable.place(part, path)
        durable.fsync_folder(path.parent)
    except tarfile.TarError as error:
        raise NotALibrary(f"{source} is no backup of a library: {error}.") from error
    except OSError as error:
        raise DiskFault.of(error, "Restoring") from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _unpack(archive: tarfile.TarFile, part: Path, total: int, progress: Progress | None) -> dict[str, str]:
    found: dict[str, str] = {}
    done = 0
    for member in archive:
        name = PurePosixPath(member.name)
        if not member.isfile() or member.issparse() or not _MEMBER.fullmatch(member.name) or member.name in found:
            raise NotALibrary(f"The archive holds {member.name[:120]!r}, which no backup of a library does.")
        if done + member.size > total:
            raise NotALibrary(f"The archive says that {member.name!r} is larger than the archive itself.")
        content = archive.extractfile(member)
        if content is None:
            raise NotALibrary(f"The archive's {member.name!r} can't be read.")
        target = part.joinpath(*name.parts)
        durable.make_folder(target.parent)
        with durable.HashingFile(target) as file:
            for block in _blocks(content):
                file.write(block)
            file.commit()
        found[member.name] = file.sha256
        done += member.size
        if progress:
            progress(done, total)
    return found


def _blocks(content: IO[bytes]) -> Iterator[bytes]:
    while block := content.read(1 << 20):
        yield block


def _check(part: Path, found: dict[str, str], source: Path) -> None:
    manifest = part / _MANIFEST
    if _CATALOGUE not in found or not manifest.is_file():
        raise NotALibrary(f"{source} is no backup of a library, or it was cut short.")
    try:
        stated = json.loads(manifest.read_text(encoding="utf-8"))["files"]
        listed = {str(name): str(sha256) for name, sha256 in stated.items()}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise NotALibrary(f"{source} is no backup of a library: its list of files can't be read.") from error
    beside = sorted(found.keys() - listed.keys() - {_MANIFEST})
    if beside:
        raise NotALibrary(f"{source} holds {beside[0]!r}, which its list of files lacks: somebody added it.")
    for name, sha256 in listed.items():
        if found.get(name) != sha256:
            raise TraceDamaged(f"{name} in {source} is not what was archived.")
    manifest.unlink()
