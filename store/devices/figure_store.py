"""Figures of devices as a whole, as rows of the `results` view. None is stored: they follow from sheets and results."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from dataclasses import asdict
from typing import TYPE_CHECKING

import pyarrow as pa

from store.core import Store
from store.sql.views import DEVICE_ROWS

if TYPE_CHECKING:
    from store.devices.kept import KeptOfDevices
    from store.judge.whole import FigureRow

__all__ = ["FigureStore"]

_ARROW = {
    "VARCHAR": pa.string(),
    "DOUBLE": pa.float64(),
    "BIGINT": pa.int64(),
    "BOOLEAN": pa.bool_(),
    "BIGINT[]": pa.list_(pa.int64()),
    "VARCHAR[]": pa.list_(pa.string()),
}


class FigureStore:
    """The figures of one library's devices, worked out where something changed of a device."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._lock = threading.Lock()
        self._kept: KeptOfDevices[tuple[FigureRow, ...]] | None = None

    def table(self) -> pa.Table:
        """The rows of the `results` view whose `run_id` is NULL."""
        from store.devices.kept import KeptOfDevices
        from store.devices.marks import device_marks
        from store.judge.whole import FigureRow

        store = self._store
        with self._lock:
            with store.catalogue.reader() as cursor:
                marks = device_marks(cursor)
            if self._kept is None:
                self._kept = KeptOfDevices(store.path, "figures", tuple[FigureRow, ...])
            kept = self._kept.of(marks, self._work_out)
        schema = pa.schema([(name, _ARROW[kind]) for name, kind in DEVICE_ROWS.items()])
        return pa.Table.from_pylist([asdict(row) for name in sorted(kept) for row in kept[name]], schema=schema)

    def _work_out(self, names: Iterable[str]) -> dict[str, tuple[FigureRow, ...]]:
        from store.judge.evidence import evidence_by_portions
        from store.judge.whole import device_results, row_of_figure

        found: dict[str, tuple[FigureRow, ...]] = {name: () for name in names}  # noqa: C420 (typed)
        for portion, evidence in evidence_by_portions(self._store, list(found)):
            for name in portion:
                every = device_results(evidence.sheets[name], evidence.of(name))
                found[name] = tuple(row_of_figure(item) for item in every)
        return found
