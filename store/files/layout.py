"""Where things lie in a library's folder. Nothing else knows these names."""

from __future__ import annotations

import re
import stat
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from store.errors import UnsafePath

__all__ = ["Layout"]

_NAME = re.compile(r"(?P<folder>traces/runs|traces/packs|originals)/[A-Za-z0-9_][A-Za-z0-9._-]{0,180}", re.ASCII)
"""What the catalogue may name: a file right inside one of three folders, by letters that mean nothing to any system."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Paths of one library."""

    root: Path

    @property
    def catalogue(self) -> Path:
        """The DuckDB file."""
        return self.root / "catalogue.duckdb"

    @property
    def wal(self) -> Path:
        """Its write-ahead log; there only while a process writes, or after one was killed."""
        return self.root / "catalogue.duckdb.wal"

    @property
    def runs(self) -> Path:
        """Traces of one run each."""
        return self.root / "traces" / "runs"

    @property
    def packs(self) -> Path:
        """Traces of many runs each."""
        return self.root / "traces" / "packs"

    @property
    def originals(self) -> Path:
        """The exports as they came, compressed."""
        return self.root / "originals"

    @property
    def profiles(self) -> Path:
        """Profiles that this tester made."""
        return self.root / "profiles"

    @property
    def queries(self) -> Path:
        """Queries that this tester saved; made when the first is."""
        return self.root / "queries"

    @property
    def older_queries(self) -> Path:
        """Where libraries kept them before; moved when such a library is opened."""
        return self.root / "questions"

    def saved_queries(self) -> list[Path]:
        """Files of saved queries by name, today's before those that could not be moved."""
        both = (*self.queries.glob("*.sql"), *self.older_queries.glob("*.sql"))
        return sorted(both, key=lambda path: (path.name, path.parent.name))

    def move_older_queries(self) -> None:
        """Bring queries that lie where libraries kept them before to where they are kept today.

        Nothing is written over: one whose name is taken, and all on a disk that can't link, stay and are read there.
        """
        if not self.older_queries.is_dir():
            return
        self.queries.mkdir(exist_ok=True)
        for path in self.older_queries.glob("*.sql"):
            with suppress(OSError):
                (self.queries / path.name).hardlink_to(path)
                path.unlink()
        with suppress(OSError):
            self.older_queries.rmdir()  # only where it is empty

    def own_files(self) -> list[Path]:
        """What the tester made by hand: profiles and queries."""
        return sorted([*self.profiles.glob("*.toml"), *self.saved_queries()])

    @property
    def tmp(self) -> Path:
        """Files being written."""
        return self.root / "tmp"

    def folders(self) -> tuple[Path, ...]:
        """Every folder of a library."""
        return (self.root, self.runs, self.packs, self.originals, self.profiles, self.tmp)

    def run_file(self, uid: str) -> str:
        """Relative name of a run's own trace."""
        return f"traces/runs/{uid}.parquet"

    def pack_file(self, number: int) -> str:
        """Relative name of a pack."""
        return f"traces/packs/{number}.parquet"

    def original_file(self, sha256: str, file_name: str) -> str:
        """Relative name of an original."""
        suffix = Path(file_name).suffix.lower()
        keep = suffix if suffix[1:].isalnum() and suffix.isascii() and len(suffix) <= 9 else ""
        return f"originals/{sha256}{keep or '.bin'}.zst"

    @property
    def set_aside(self) -> Path:
        """Whole files that the catalogue has no place for; made when the first is."""
        return self.root / "set_aside"

    @property
    def journal(self) -> Path:
        """What only the catalogue holds, change by change; made with the first."""
        return self.root / "journal"

    def entry(self, relative: str) -> Path | None:
        """An entry of the folders of traces and originals, whatever it is; None for any other name."""
        folder, _, name = relative.rpartition("/")
        inside = {"traces/runs": self.runs, "traces/packs": self.packs, "originals": self.originals}
        return inside[folder] / name if folder in inside and name not in {"", ".", ".."} else None

    def absolute(self, relative: str) -> Path:
        """A relative name of the catalogue as a path on this machine; the catalogue is not believed.

        Raises:
            UnsafePath: It leads out of the folders of traces and originals, or through a link.
        """
        found = _NAME.fullmatch(relative) if isinstance(relative, str) else None
        if found is None:
            raise UnsafePath.of(
                self.root, relative, "which is not a name inside traces/runs, traces/packs or originals"
            )
        parts = relative.split("/")
        path = self.root
        for part in parts:
            path = path / part
            try:
                mode = path.lstat().st_mode
            except OSError:
                continue  # not there: whoever opens it says so
            if stat.S_ISLNK(mode):
                raise UnsafePath.of(self.root, relative, f"and {path.relative_to(self.root)} is a link")
        if path.exists() and not stat.S_ISREG(path.lstat().st_mode):
            raise UnsafePath.of(self.root, relative, "which is not a regular file")
        return path
