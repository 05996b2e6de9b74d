"""What is known of devices from several runs together: pages, comparisons, verdicts, the course.

Mixed into `Library`, kept apart from runs and care. Nothing here is stored: it follows from sheets and results.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, cast

import pyarrow as pa

from store.sql.views import COMPUTED_VIEWS

if TYPE_CHECKING:
    from store.devices.kept import KeptOfDevices
    from store.devices.records import ComparisonPage, DevicePage
    from store.judge.course_grid import CourseGrid
    from store.judge.measured import Measured
    from store.library import Library
    from store.uncertainty.decision import Verdict

__all__ = ["DeviceViews"]

_ARROW = {
    "VARCHAR": pa.string(),
    "DOUBLE": pa.float64(),
    "BIGINT": pa.int64(),
    "BIGINT[]": pa.list_(pa.int64()),
}


def _judged(library: Library, names: Iterable[str]) -> dict[str, tuple[Verdict, ...]]:
    from store.devices.page import judge_all

    asked = tuple(names)
    found = judge_all(library, asked)
    return {name: found.get(name, ()) for name in asked}


class DeviceViews:
    """Devices as a whole; mixed into `Library`."""

    _verdicts: tuple[int, tuple[Verdict, ...]] | None = None
    _judged: KeptOfDevices[tuple[Verdict, ...]] | None = None
    _judging = threading.Lock()

    def _own_library(self) -> Library:
        return cast("Library", self)

    def device_page(self, name: str, *, loads_w: Sequence[float] = ()) -> DevicePage:
        """Everything about one device: figures, verdicts, course, tests by condition.

        Args:
            name: Its inventory code.
            loads_w: Loads [W] whose runtime is asked for; usual ones where empty.

        Raises:
            NotFound: No such device.
        """
        from store.devices import page

        return page.device_page(self._own_library(), name, loads_w=loads_w)

    def compare_devices(self, names: Sequence[str], by: str | None = None) -> ComparisonPage:
        """Devices side by side; a single one is joined by its peers.

        Args:
            names: Inventory codes.
            by: A result that orders them and that pairs are made by.

        Raises:
            NotFound: No such device or result.
            ComparisonRefused: Nothing to compare.
        """
        from store.judge import comparison

        return comparison.compare_devices(self._own_library(), names, by=by)

    def measured(self, run_ids: Sequence[int]) -> dict[int, dict[str, Measured]]:
        """Current results of some runs as measured values, which know what they share with others of their meter.

        Args:
            run_ids: The runs; those that are not there are left out.
        """
        from store.judge.evidence import measured_runs

        with self._own_library().catalogue.reader() as cursor:
            return measured_runs(cursor, run_ids)

    def course(self, name: str) -> CourseGrid:
        """Which tests of the course a device has behind it, and which are to do.

        Raises:
            NotFound: No such device.
            CourseRefused: The library's own course.toml can't be read.
        """
        from store.devices import page

        return page.course_of(self._own_library(), name)

    def verdicts(self) -> tuple[Verdict, ...]:
        """Every claim held against its runs, by device and place in the sheet.

        Judged once per generation, and then only for devices that something changed of.
        """
        from store.devices.kept import KeptOfDevices
        from store.devices.marks import device_marks
        from store.uncertainty.decision import Verdict

        library = self._own_library()
        with self._judging:
            generation = library.generation()
            if self._verdicts is None or self._verdicts[0] != generation:
                # Marks first: what is committed while devices are judged gives another mark the next time.
                with library.catalogue.reader() as cursor:
                    marks = device_marks(cursor)
                if self._judged is None:
                    self._judged = KeptOfDevices(library.layout.root, "verdicts", tuple[Verdict, ...])
                judged = self._judged.of(marks, lambda names: _judged(library, names))
                ordered = (judged[name] for name in sorted(judged))
                self._verdicts = (generation, tuple(verdict for found in ordered for verdict in found))
            return self._verdicts[1]

    def verdict_table(self) -> pa.Table:
        """The `verdicts` view."""
        schema = pa.schema([(name, _ARROW[kind]) for name, kind in COMPUTED_VIEWS["verdicts"]])
        rows = []
        for verdict in self.verdicts():
            plain = {name: getattr(verdict, name, None) for name in schema.names}
            rows.append({**plain, "run_ids": list(verdict.run_ids)})
        return pa.Table.from_pylist(rows, schema=schema)
