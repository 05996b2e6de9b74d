"""A folder that is written whole or not at all, and never over something that is there unless asked.

Knows files only.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from store.errors import DiskFault
from store.publish.refusals import FolderInUse, NotPublished

__all__ = ["check_free", "filled_folder"]


def check_free(target: Path, *, replace: bool) -> None:
    """Make sure that a folder may be written.

    Raises:
        FolderInUse: It holds something, and nobody said to replace it.
        NotPublished: There is a file of that name.
    """
    if target.exists() and not target.is_dir():
        raise NotPublished(f"{target} is a file. Name a folder.")
    names = sorted(entry.name for entry in target.iterdir()) if target.is_dir() else []
    if names and not replace:
        raise FolderInUse.of(target, names)


@contextmanager
def filled_folder(target: Path, *, replace: bool = False) -> Iterator[Path]:
    """Yield a folder to fill; it takes the target's place when all of it is written, and leaves nothing otherwise.

    Args:
        target: The folder wanted; made where missing.
        replace: Write over files of the same names. Other files in it stay.

    Raises:
        FolderInUse: It holds something, and nobody said to replace it.
        DiskFault: It can't be written; what was there is as it was.
    """
    check_free(target, replace=replace)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    except OSError as error:
        raise DiskFault.of(error, "Writing") from error
    try:
        work = beside / "out"
        work.mkdir()
        yield work
        _move_in(work, target)
    except OSError as error:
        raise DiskFault.of(error, "Writing") from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _move_in(work: Path, target: Path) -> None:
    if target.is_dir() and not any(target.iterdir()):
        target.rmdir()
    if not target.exists():
        work.rename(target)
        return
    for path in sorted(work.rglob("*")):
        place = target / path.relative_to(work)
        if path.is_dir():
            place.mkdir(exist_ok=True)
        else:
            path.replace(place)
