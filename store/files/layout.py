"""Where things lie in a library's folder. Nothing else knows these names."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path, PurePosixPath

__all__ = ["Layout"]


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
    def questions(self) -> Path:
        """Questions in SQL that this tester keeps; made when the first is."""
        return self.root / "questions"

    def own_files(self) -> list[Path]:
        """What the tester made by hand: profiles and questions."""
        return sorted([*self.profiles.glob("*.toml"), *self.questions.glob("*.sql")])

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

    def absolute(self, relative: str) -> Path:
        """A relative name of the catalogue as a path on this machine."""
        return self.root.joinpath(*PurePosixPath(relative).parts)
