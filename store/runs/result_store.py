"""Results of runs: looked up, explained and recomputed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from store.catalogue.accounts import load_account
from store.core import Store
from store.model.records import ResultRow
from store.model.results import Result
from store.runs import listing

if TYPE_CHECKING:
    from store.judge.measured import Measured
    from store.runs.previews import RecomputePreview
    from store.runs.recompute import ResultChange

__all__ = ["ResultStore"]

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class ResultStore:
    """The results of one library's runs."""

    store: Store

    def of(self, run_id: int, *, superseded: bool = False) -> tuple[ResultRow, ...]:
        """Results of a run; with `superseded` also those that a later method replaced."""
        with self.store.catalogue.reader() as cursor:
            return listing.load_results(cursor, run_id, superseded=superseded)

    def why(self, run_id: int, name: str) -> Result:
        """How a result came about: formula, inputs, uncertainty budget.

        Raises:
            NotFound: No such run or result.
        """
        with self.store.catalogue.reader() as cursor:
            return load_account(cursor, run_id, name)

    def redo_sql(self, run_id: int, name: str) -> str:
        """SQL by which anyone gets a result again from the Parquet alone; see `results.why`."""
        from store.methods.registry import redo_of_today

        with self.store.catalogue.reader() as cursor:
            provenance = listing.load_run(cursor, run_id).provenance
        file = self.store.layout.absolute(provenance.trace_file)
        return redo_of_today(self.why(run_id, name), run_id, str(file.resolve()))

    def measured(self, run_ids: Sequence[int]) -> dict[int, dict[str, Measured]]:
        """Current results of some runs as measured values, which know what they share with others of their meter.

        Args:
            run_ids: The runs; those that are not there are left out.
        """
        from store.judge.evidence import measured_runs

        with self.store.catalogue.reader() as cursor:
            return measured_runs(cursor, run_ids)

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

        return recompute.recompute(self.store, run_ids, dry_run=dry_run, progress=progress)

    def preview(
        self,
        run_ids: Sequence[int] | None = None,
        *,
        thresholds: Mapping[str, float | None] | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> RecomputePreview:
        """What a recompute would change, and which verdicts would flip; nothing is stored.

        Args:
            run_ids: Which runs; all where None.
            thresholds: Constants as they would be set; those of the library where None.
            progress: Told how many runs of how many are done.

        Raises:
            NotFound: No such run or constant.
            WrongFact: A value that a constant can't have.
        """
        from store.catalogue.thresholds import with_values
        from store.devices.bench import load_bench
        from store.runs.previews import preview

        known = load_bench(self.store)
        if thresholds:
            known = replace(known, thresholds=with_values(known.thresholds, thresholds))
        return preview(self.store, run_ids, bench=known, progress=progress)
