"""Care of a library: verified, packed, rebuilt, backed up."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from store.catalogue.connection import rows
from store.core import Store

if TYPE_CHECKING:
    from store.care import rebuild
    from store.care.repack import PackReport
    from store.care.verify import Finding

__all__ = ["Maintenance"]

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Maintenance:
    """The care of one library."""

    store: Store

    def pack(self, progress: Progress | None = None) -> PackReport:
        """Merge loose traces into packs; the numbers stay the same to the last bit."""
        from store.care import repack

        return repack.pack(self.store, progress=progress)

    def verify(
        self,
        *,
        repair: bool = False,
        quick: bool = False,
        results: bool = False,
        progress: Progress | None = None,
    ) -> list[Finding]:
        """Check every file, hash, row count and row; say what is wrong.

        Args:
            repair: Take in whole files that nothing names, set others aside, make damaged traces again.
            quick: Names and sizes only, no hashes.
            results: Work out the results of every run again, not only of a drawn sample.
            progress: Told how many bytes of how many are read.

        Returns:
            What was found; `is_repaired` where it is mended now. Empty for a clean library.
        """
        from store.care import verify

        return verify.verify(self.store, repair=repair, quick=quick, results=results, progress=progress)

    def rebuild(self, progress: Progress | None = None) -> rebuild.RebuildReport:
        """Make missing runs again from the traces' footers; what the catalogue still knows stays."""
        from store.care import rebuild

        return rebuild.rebuild(self.store, progress)

    def backup(self, file: str | Path, progress: Progress | None = None) -> int:
        """Write one consistent archive of everything; others may read and write meanwhile.

        Returns:
            Bytes written.
        """
        from store.care import backup

        return backup.backup(self.store, Path(file), progress)

    def files(self) -> list[dict[str, object]]:
        """The trace files for other engines: relative and absolute name, hash, size, samples, whether it is a pack."""
        sql = "SELECT file, sha256, bytes, samples, is_pack FROM catalogue.trace_file ORDER BY trace_id"
        with self.store.catalogue.reader() as cursor:
            found = rows(cursor, sql)
        names = ("file", "sha256", "bytes", "samples", "is_pack")
        return [
            {**dict(zip(names, row, strict=True)), "path": str(self.store.layout.absolute(str(row[0])).resolve())}
            for row in found
        ]
