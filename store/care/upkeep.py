"""What one does to runs that are there: edit, set aside, delete, group, recompute; and the care of a library.

The second half of `Library`, kept apart from looking and importing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, cast

from store.catalogue.connection import Catalogue, rows
from store.files.layout import Layout

if TYPE_CHECKING:
    from store.care import rebuild
    from store.care.repack import PackReport
    from store.care.verify import Finding
    from store.library import Library
    from store.runs.groups import GroupMember
    from store.runs.joining import Joining, Parting
    from store.runs.recompute import ResultChange

__all__ = ["Upkeep"]

Progress = Callable[[int, int], None]


class Upkeep:
    """Editing and care; mixed into `Library`."""

    layout: Layout
    catalogue: Catalogue
    who: str

    def _library(self) -> Library:
        return cast("Library", self)

    def edit_runs(
        self, run_ids: Sequence[int], changes: Mapping[str, object], who: str | None = None, reason: str = ""
    ) -> int:
        """Change facts of runs; each change is an amendment, results that depend on it are made anew.

        Args:
            run_ids: The runs; all are changed or none.
            changes: Fact to new value; None clears it. `load`, `ambient` and `started` are understood too.
            who: Who changes it; the library's user where None.
            reason: Why; needed to set a run aside.

        Returns:
            How many fields were changed, over all runs.

        Raises:
            NotFound: A run or a fact that isn't there.
            WrongFact: A value that the fact can't have.
        """
        from store.runs import edits

        return edits.edit_runs(self._library(), run_ids, changes, who or self.who, reason)

    def delete_runs(self, run_ids: Sequence[int], who: str | None = None, reason: str = "") -> int:
        """Delete runs and their samples for good; tombstones with the originals' hashes stay. Ask first.

        Returns:
            How many were deleted.
        """
        from store.runs import edits

        return edits.delete_runs(self._library(), run_ids, who or self.who, reason)

    def recompute(
        self, run_ids: Sequence[int] | None = None, *, dry_run: bool = False, progress: Progress | None = None
    ) -> list[ResultChange]:
        """Results again, by today's methods and facts; the old values stay, superseded.

        Args:
            run_ids: Which runs; all where None.
            dry_run: Only say what would change.
            progress: Told how many runs of how many are done.
        """
        from store.runs import recompute

        return recompute.recompute(self._library(), run_ids, dry_run=dry_run, progress=progress)

    def group(
        self,
        run_ids: Sequence[int],
        *,
        how: str = "times",
        offsets_s: Mapping[int, float] | None = None,
        who: str | None = None,
        reason: str = "",
    ) -> tuple[GroupMember, ...]:
        """Put simultaneous runs on a common time base, that of the first.

        Args:
            run_ids: Two runs or more.
            how: `times` by when they started, `stated` by `offsets_s`, `event` by a shared step of load.
            offsets_s: With `stated`: seconds to add to each run's own time; the first run's is 0 where left out.
            who: Who groups them.
            reason: Why.

        Raises:
            WrongFact: It can't be done that way: no start time, no shared event.
        """
        from store.runs import groups

        return groups.group(self._library(), run_ids, how, offsets_s or {}, who=who or self.who, reason=reason)

    def ungroup(self, run_ids: Sequence[int], who: str | None = None, reason: str = "") -> int:
        """Take runs out of their groups; a group of one is dissolved.

        Returns:
            How many runs are in no group now that were in one.
        """
        from store.runs import groups

        return groups.ungroup(self._library(), run_ids, who or self.who, reason)

    def join(
        self,
        run_ids: Sequence[int],
        *,
        offsets_s: Mapping[int, float] | None = None,
        who: str | None = None,
        reason: str = "",
    ) -> Joining:
        """Make parts of one log one run, with results made once over the whole; `part` takes it back exactly.

        When each began is taken from `offsets_s`, else from start times, else from a counter that goes on. Runs that
        one run was parted into become that run again.

        Args:
            run_ids: Two runs or more.
            offsets_s: Seconds from the first run's first sample to each other's; 0 for the first where left out.
            who: Who joins them.
            reason: Why.

        Raises:
            NotFound: A run that isn't there.
            WrongFact: They overlap, differ in device, port, kind or meter, or nothing tells when one began.
            TraceDamaged: A trace isn't what was written.
            DiskFault: The disk refused; all is as it was.
        """
        from store.runs import joining

        return joining.join(self._library(), run_ids, offsets_s, who=who or self.who, reason=reason)

    def part(self, run_id: int, at_s: Sequence[float] = (), *, who: str | None = None, reason: str = "") -> Parting:
        """Make a joined run its parts again, or one log several runs; `join` takes the latter back.

        Args:
            run_id: The run.
            at_s: Where the second and each further run begins, in seconds of its own clock; none takes a joining back.
            who: Who parts it.
            reason: Why.

        Raises:
            NotFound: There is no such run.
            WrongFact: It was not joined and no time is given, or a time leaves a run without samples.
            TraceDamaged: Its trace isn't what was written.
            DiskFault: The disk refused; all is as it was.
        """
        from store.runs import joining

        if at_s:
            return joining.part(self._library(), run_id, at_s, who=who or self.who, reason=reason)
        return joining.take_apart(self._library(), run_id, who=who or self.who, reason=reason)

    def pack(self, progress: Progress | None = None) -> PackReport:
        """Merge loose traces into packs; the numbers stay the same to the last bit."""
        from store.care import repack

        return repack.pack(self._library(), progress=progress)

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

        return verify.verify(self._library(), repair=repair, quick=quick, results=results, progress=progress)

    def rebuild(self, progress: Progress | None = None) -> rebuild.RebuildReport:
        """Make missing runs again from the traces' footers; what the catalogue still knows stays."""
        from store.care import rebuild

        return rebuild.rebuild(self._library(), progress)

    def backup(self, file: str | Path, progress: Progress | None = None) -> int:
        """Write one consistent archive of everything; others may read and write meanwhile.

        Returns:
            Bytes written.
        """
        from store.care import backup

        return backup.backup(self._library(), Path(file), progress)

    def files(self) -> list[dict[str, object]]:
        """The trace files for other engines: relative and absolute name, hash, size, samples, whether it is a pack."""
        sql = "SELECT file, sha256, bytes, samples, is_pack FROM catalogue.trace_file ORDER BY trace_id"
        with self.catalogue.reader() as cursor:
            found = rows(cursor, sql)
        names = ("file", "sha256", "bytes", "samples", "is_pack")
        return [
            {**dict(zip(names, row, strict=True)), "path": str(self.layout.absolute(str(row[0])).resolve())}
            for row in found
        ]
