"""Verdicts of a library: every claim held against its runs. None is stored: they follow from sheets and results."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from typing import TYPE_CHECKING

import pyarrow as pa

from store.core import Store
from store.sql.views import COMPUTED_VIEWS

if TYPE_CHECKING:
    from store.devices.kept import KeptOfDevices
    from store.uncertainty.decision import Verdict

__all__ = ["VerdictStore"]

_ARROW = {
    "VARCHAR": pa.string(),
    "DOUBLE": pa.float64(),
    "BIGINT": pa.int64(),
    "BIGINT[]": pa.list_(pa.int64()),
}


class VerdictStore:
    """The verdicts of one library, judged once per generation, and then only for what changed."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._lock = threading.Lock()
        self._found: tuple[int, tuple[Verdict, ...]] | None = None
        self._kept: KeptOfDevices[tuple[Verdict, ...]] | None = None

    def all(self) -> tuple[Verdict, ...]:
        """Every claim held against its runs, by device and place in the sheet."""
        from store.devices.kept import KeptOfDevices
        from store.devices.marks import device_marks
        from store.uncertainty.decision import Verdict

        store = self._store
        with self._lock:
            generation = store.generation()
            if self._found is None or self._found[0] != generation:
                # Marks first: what is committed while devices are judged gives another mark the next time.
                with store.catalogue.reader() as cursor:
                    marks = device_marks(cursor)
                if self._kept is None:
                    self._kept = KeptOfDevices(store.path, "verdicts", tuple[Verdict, ...])
                judged = self._kept.of(marks, self._judge)
                ordered = (judged[name] for name in sorted(judged))
                self._found = (generation, tuple(verdict for found in ordered for verdict in found))
            return self._found[1]

    def _judge(self, names: Iterable[str]) -> dict[str, tuple[Verdict, ...]]:
        from store.devices.page import judge_all

        asked = tuple(names)
        found = judge_all(self._store, asked)
        return {name: found.get(name, ()) for name in asked}

    def table(self) -> pa.Table:
        """The `verdicts` view."""
        schema = pa.schema([(name, _ARROW[kind]) for name, kind in COMPUTED_VIEWS["verdicts"]])
        rows = []
        for verdict in self.all():
            plain = {name: getattr(verdict, name, None) for name in schema.names}
            rows.append({**plain, "run_ids": list(verdict.run_ids)})
        return pa.Table.from_pylist(rows, schema=schema)
