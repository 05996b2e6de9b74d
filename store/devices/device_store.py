"""Devices of a library: sheets looked up and saved, and what their runs together say of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from store.catalogue import pending
from store.core import Store
from store.devices import saved
from store.errors import NotFound
from store.model.records import DeviceRow
from store.model.sheet import DeviceSheet

if TYPE_CHECKING:
    from store.devices.records import ComparisonPage, DevicePage
    from store.judge.course_grid import CourseGrid
    from store.judge.whole import DeviceResult

__all__ = ["DeviceStore"]

_REDUCED_FROM = ("kind", "energy_wh", "cell_voltage_v", "output_w", "current_a", "ports")
"""What the results of a device's runs depend on, of its sheet."""


@dataclass(frozen=True, slots=True)
class DeviceStore:
    """The devices of one library."""

    store: Store

    def all(self) -> tuple[DeviceRow, ...]:
        """Devices that have a sheet or runs."""
        with self.store.catalogue.reader() as cursor:
            return saved.list_devices(cursor)

    def get(self, name: str) -> DeviceSheet:
        """A device's sheet.

        Raises:
            NotFound: It has none.
        """
        found = self.find(name)
        if found is None:
            raise NotFound.of("device", name, self.sheets())
        return found

    def find(self, name: str) -> DeviceSheet | None:
        """A device's sheet; None where it has none. Reads no other device's."""
        with self.store.catalogue.reader() as cursor:
            return saved.load_device(cursor, name)

    def sheets(self) -> dict[str, DeviceSheet]:
        """Every device's sheet, by its code."""
        with self.store.catalogue.reader() as cursor:
            return saved.load_devices(cursor)

    def save(self, sheet: DeviceSheet, who: str | None = None, reason: str = "") -> int:
        """Store a device's sheet; differences from the one before become amendments, its results are recomputed.

        Returns:
            How many fields changed; 0 for a new device or an unchanged sheet.
        """
        before = self.find(sheet.device)
        with self.store.catalogue.writer() as cursor:
            changed = saved.save_device(cursor, sheet, who or self.store.who, reason)
            if before is None or any(getattr(before, name) != getattr(sheet, name) for name in _REDUCED_FROM):
                pending.note(cursor, "device = ?", [sheet.device])
        from store.runs.recompute import recompute_due

        recompute_due(self.store)
        return changed

    def page(self, name: str, *, loads_w: Sequence[float] = ()) -> DevicePage:
        """Everything about one device: figures, verdicts, course, tests by condition.

        Args:
            name: Its inventory code.
            loads_w: Loads [W] whose runtime is asked for; usual ones where empty.

        Raises:
            NotFound: No such device.
        """
        from store.devices import page

        return page.device_page(self.store, name, loads_w=loads_w)

    def compare(self, names: Sequence[str], by: str | None = None) -> ComparisonPage:
        """Devices side by side; a single one is joined by its peers.

        Args:
            names: Inventory codes.
            by: A result that orders them and that pairs are made by.

        Raises:
            NotFound: No such device or result.
            ComparisonRefused: Nothing to compare.
        """
        from store.judge import comparison

        return comparison.compare_devices(self.store, names, by=by)

    def results(self, name: str) -> tuple[DeviceResult, ...]:
        """Figures of a device as a whole: value, uncertainty with its budget, runs and condition.

        Args:
            name: Its inventory code.

        Raises:
            NotFound: No such device.
        """
        from store.devices.page import sheet_of
        from store.judge.evidence import read_evidence
        from store.judge.whole import device_results

        evidence = read_evidence(self.store, [name])
        return device_results(sheet_of(evidence, name), evidence.of(name))

    def why(self, name: str, result: str) -> tuple[tuple[DeviceResult, str], ...]:
        """How a figure of a device came about, with the statement that gives it again over its runs' Parquet files.

        Args:
            name: Its inventory code.
            result: The figure's name.

        Returns:
            One for each condition that it stands under.

        Raises:
            NotFound: No such device, or no such figure of it.
        """
        from store.devices.device_sql import device_sql
        from store.devices.page import sheet_of
        from store.judge.evidence import read_evidence
        from store.judge.whole import device_results
        from store.methods.specs import canonical

        evidence = read_evidence(self.store, [name])
        sheet, runs = sheet_of(evidence, name), evidence.of(name)
        every = device_results(sheet, runs)
        found = [item for item in every if item.result.name == canonical(result)]
        if not found:
            raise NotFound.of(f"figure of {name} as a whole", result, sorted({item.result.name for item in every}))
        return tuple((item, device_sql(self.store, sheet, runs, item)) for item in found)

    def course(self, name: str) -> CourseGrid:
        """Which tests of the course a device has behind it, and which are to do.

        Raises:
            NotFound: No such device.
            CourseRefused: The library's own course.toml can't be read.
        """
        from store.devices import page

        return page.course_of(self.store, name)
