"""Runs of a library: listed, looked at, and what a person does to them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from store.core import Store
from store.model.records import FacetCount, RunPage, RunView
from store.runs import listing

if TYPE_CHECKING:
    import polars as pl

    from store.runs.groups import GroupMember
    from store.runs.joining import Joining
    from store.runs.pairs import PairByHand
    from store.runs.parting import Parting

__all__ = ["RunStore"]


@dataclass(frozen=True, slots=True)
class RunStore:
    """The runs of one library."""

    store: Store

    def page(
        self,
        filter_text: str = "",
        *,
        sort: str = "-started_at",
        limit: int | None = 500,
        offset: int = 0,
        columns: Sequence[str] | None = None,
    ) -> RunPage:
        """A page of the list: rows of the `runs` view.

        Args:
            filter_text: A filter line such as `port:C1 mode:20V wh>50 -suspect`.
            sort: Columns of `runs`, `-` before one for the largest first.
            limit: Most rows; None for all.
            offset: Rows left out before them.
            columns: Columns wanted; all of `runs` where None, which takes longer.

        Raises:
            FilterError: A word that means nothing.
            NotFound: No such column.
        """
        with self.store.catalogue.reader() as cursor:
            return listing.list_runs(
                cursor, filter_text, sort=sort, limit=limit, offset=offset, zone=self.store.zone, columns=columns
            )

    def __call__(self, filter_text: str = "", *, limit: int | None = 500, sort: str = "-started_at") -> RunPage:
        """A page of the list with all columns: `library.runs("kind:discharge", limit=None)`; see `page`."""
        return self.page(filter_text, sort=sort, limit=limit)

    def frame(self, filter_text: str = "", *, sort: str = "-started_at") -> pl.DataFrame:
        """Every run that fits the filter, as a Polars frame."""
        import polars as pl

        frame = pl.from_arrow(self.page(filter_text, sort=sort, limit=None).table)
        if not isinstance(frame, pl.DataFrame):
            raise TypeError(type(frame))
        return frame

    def facets(self, field: str, filter_text: str = "") -> list[FacetCount]:
        """Values of `port`, `mode`, `device`, `kind`, `meter` ... and how often each occurs under the filter."""
        with self.store.catalogue.reader() as cursor:
            return listing.count_facets(cursor, field, filter_text, self.store.zone)

    def get(self, run_id: int) -> RunView:
        """One run with results, events, provenance, amendments and preview.

        Raises:
            NotFound: No such run.
        """
        with self.store.catalogue.reader() as cursor:
            return listing.load_run(cursor, run_id)

    def edit(
        self, run_ids: Sequence[int], changes: Mapping[str, object], who: str | None = None, reason: str = ""
    ) -> int:
        """Change facts of runs; each change is an amendment, dependent results are recomputed.

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

        return edits.edit_runs(self.store, run_ids, changes, who or self.store.who, reason)

    def delete(self, run_ids: Sequence[int], who: str | None = None, reason: str = "") -> int:
        """Delete runs and their samples for good; tombstones with the originals' hashes stay. Ask first.

        Returns:
            How many were deleted.
        """
        from store.runs import edits

        return edits.delete_runs(self.store, run_ids, who or self.store.who, reason)

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

        return groups.group(self.store, run_ids, how, offsets_s or {}, who=who or self.store.who, reason=reason)

    def ungroup(self, run_ids: Sequence[int], who: str | None = None, reason: str = "") -> int:
        """Take runs out of their groups; a group of one is dissolved.

        Returns:
            How many runs are in no group now that were in one.
        """
        from store.runs import groups

        return groups.ungroup(self.store, run_ids, who or self.store.who, reason)

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

        return joining.join(self.store, run_ids, offsets_s, who=who or self.store.who, reason=reason)

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
        from store.runs import joining, parting

        if at_s:
            return parting.part(self.store, run_id, at_s, who=who or self.store.who, reason=reason)
        return joining.take_apart(self.store, run_id, who=who or self.store.who, reason=reason)

    def pair(self, run_ids: Sequence[int], who: str | None = None, reason: str = "") -> PairByHand:
        """Set a discharge against a recharge by hand, in either order; dates decide for all others.

        Raises:
            NotFound: A run that isn't there.
            WrongFact: Not one discharge and one recharge of one device.
        """
        from store.runs.pairs import save_pair

        with self.store.catalogue.writer() as cursor:
            return save_pair(cursor, run_ids, who or self.store.who, reason)

    def unpair(self, run_id: int, who: str | None = None, reason: str = "") -> bool:
        """Take a pair made by hand away; whether there was one."""
        from store.runs.pairs import take_pair_away

        with self.store.catalogue.writer() as cursor:
            return take_pair_away(cursor, run_id, who or self.store.who, reason)

    def pairs(self) -> tuple[PairByHand, ...]:
        """Pairs made by hand."""
        from store.runs.pairs import pairs_by_hand

        with self.store.catalogue.reader() as cursor:
            return pairs_by_hand(cursor)
