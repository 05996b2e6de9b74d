"""Another library, looked at and never changed: its catalogue is copied, brought to today's schema, and read.

Knows folders and archives of libraries; decides nothing.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING
from uuid import uuid4

from store.care import backup
from store.catalogue import migrations
from store.catalogue.connection import Catalogue, rows
from store.devices.saved import load_devices, sheet_to_json
from store.errors import DiskFault, NotALibrary, NotFound
from store.files.layout import Layout
from store.sharing import rebuilt
from store.sharing.target import ShareRefused

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["Colleague", "rename_devices", "visit"]


@dataclass(frozen=True, slots=True)
class Colleague:
    """A library to take from."""

    name: str
    """What people call it: the folder's or the archive's name."""
    uid: str
    layout: Layout
    """Where its files lie."""
    catalogue: Catalogue
    """A copy of its catalogue, in today's schema."""


@contextmanager
def visit(library: Store, source: str | Path, bench: str | None = None) -> Iterator[Colleague]:
    """Open another library for reading: a folder, a backup archive, what a bench shared, or a pack of runs.

    Args:
        library: Ours: the copies lie below its `tmp`.
        source: Theirs: a path, or `s3://bucket/prefix`.
        bench: Where several share: which.

    Raises:
        NotALibrary: There is none.
        ShareRefused: It is this very library, or several share there.
        DiskFault: It can't be read, or copied.
    """
    path = Path(source)
    is_address = "://" in str(source)
    if not is_address and path.resolve() == library.layout.root.resolve():
        raise ShareRefused(f"{source} is this library: there is nothing to take.")
    room = library.layout.tmp / f"visit-{uuid4().hex}"
    try:
        room.mkdir(parents=True)
        if is_address or (path / "benches" / "_delta_log").is_dir():
            if find_spec("deltalake") is None:
                raise ShareRefused('Taking what was shared needs the extra "share": pip install "joulebook[share]".')
            made = rebuilt.from_tables(library, str(source), bench, room / "shared")
            yield _colleague(str(source), made.layout, made.catalogue)
        elif path.is_file() and _is_parquet(path):
            made = rebuilt.from_pack(library, path, room / "pack")
            yield _colleague(path.name, made.layout, made.catalogue)
        else:
            yield _of_library(path, room)
    except OSError as error:
        raise DiskFault.of(error, f"Taking from {source}") from error
    finally:
        shutil.rmtree(room, ignore_errors=True)


def _of_library(source: Path, room: Path) -> Colleague:
    if source.is_file():
        backup.restore(source, room / "unpacked")
        layout = Layout(room / "unpacked")
    else:
        layout = Layout(source)
    if not layout.catalogue.is_file():
        raise NotALibrary(
            f"{source} holds no library. Name a library's folder, an archive of `joulebook backup`, a place of "
            "`joulebook share`, or a pack of runs."
        )
    copied = Layout(room / "catalogue")
    copied.root.mkdir()
    Catalogue(layout.catalogue, layout.wal).copy_to(copied.catalogue, room)
    catalogue = Catalogue(copied.catalogue, copied.wal)
    migrations.migrate(catalogue, copied)
    return _colleague(source.resolve().name, layout, catalogue)


def _colleague(name: str, layout: Layout, catalogue: Catalogue) -> Colleague:
    with catalogue.reader() as cursor:
        found = rows(cursor, "SELECT value FROM catalogue.meta WHERE key = 'library_uid'")
    return Colleague(name, str(found[0][0]) if found else "", layout, catalogue)


def _is_parquet(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(4) == b"PAR1"


def rename_devices(other: Colleague, codes: Mapping[str, str]) -> None:
    """Give their devices other codes, in the copy of their catalogue.

    Args:
        other: Theirs.
        codes: Code there to code here.

    Raises:
        NotFound: No such device there.
    """
    with other.catalogue.writer() as cursor:
        known = {
            str(row[0]) for row in rows(cursor, "SELECT DISTINCT device FROM catalogue.run WHERE device IS NOT NULL")
        }
        sheets = load_devices(cursor)
        for there, here in codes.items():
            if there not in known | set(sheets):
                raise NotFound.of("device", there, sorted(known | set(sheets)))
            if there in sheets:
                row = json.dumps({**json.loads(sheet_to_json(sheets[there])), "device": here}, ensure_ascii=False)
                cursor.execute("UPDATE catalogue.device SET sheet = ? WHERE device = ?", [row, there])
            for table in ("run", "result", "device", "port", "claim", "mark"):
                cursor.execute(f"UPDATE catalogue.{table} SET device = ? WHERE device = ?", [here, there])
            cursor.execute(
                "UPDATE catalogue.amendment SET key = ? WHERE table_name = 'device' AND key = ?", [here, there]
            )
