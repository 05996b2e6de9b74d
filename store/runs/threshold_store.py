"""Constants of the detectors in one library: looked up, changed, and dependent results recomputed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from store.catalogue import pending
from store.catalogue.thresholds import ThresholdRow, list_thresholds, save_thresholds
from store.core import Store
from store.runs.recompute import ResultChange, recompute, recompute_due

__all__ = ["ThresholdStore"]


@dataclass(frozen=True, slots=True)
class ThresholdStore:
    """The constants of one library."""

    store: Store

    def all(self) -> tuple[ThresholdRow, ...]:
        """Every named constant of the detectors with its value here, its default and its reason."""
        with self.store.catalogue.reader() as cursor:
            return list_thresholds(cursor)

    def change(
        self,
        values: Mapping[str, float | None],
        who: str | None = None,
        reason: str = "",
        progress: Callable[[int, int], None] | None = None,
    ) -> list[ResultChange]:
        """Set constants of the detectors for this library, each an amendment; dependent results are recomputed.

        Args:
            values: By name; None goes back to the default.
            who: Who sets them; the library's user where None.
            reason: Why; needed.
            progress: Told how many runs of how many are done.

        Returns:
            The results that came out otherwise.

        Raises:
            NotFound: No such constant.
            WrongFact: A value that it can't have, or no reason.
        """
        with self.store.catalogue.writer() as cursor:
            changed = save_thresholds(cursor, values, who or self.store.who, reason)
            if changed:
                pending.note(cursor, "true")
        if changed:
            return recompute(self.store, progress=progress)
        recompute_due(self.store)
        return []
