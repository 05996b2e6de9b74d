"""Changes of facts, as they are asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from store.core import Store
from store.model.records import Amendment
from store.runs import listing

__all__ = ["AmendmentStore"]


@dataclass(frozen=True, slots=True)
class AmendmentStore:
    """The amendments of one library."""

    store: Store

    def all(self, table_name: str | None = None, keys: Sequence[str] | None = None) -> tuple[Amendment, ...]:
        """Changes of facts, the oldest first; of one table and keys where given."""
        with self.store.catalogue.reader() as cursor:
            return listing.load_amendments(cursor, table_name, keys)
