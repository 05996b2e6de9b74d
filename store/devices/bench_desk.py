"""Devices, meters, calibrations and constants of a library: looked up, changed, and what rests on them made anew.

The third part of `Library`. A change of a fact is committed first, then the results of the runs that depend on it are
made again; killed in between, the same command again or `joulebook recompute` finishes it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, cast

import duckdb

from store.catalogue import pending
from store.catalogue.connection import Catalogue
from store.devices import saved
from store.errors import NotFound
from store.model.records import Calibration, DeviceRow, Meter
from store.model.sheet import DeviceSheet

if TYPE_CHECKING:
    from store.catalogue.thresholds import ThresholdRow
    from store.imports.reduction import Bench
    from store.library import Library
    from store.runs.pairs import PairByHand
    from store.runs.previews import RecomputePreview
    from store.runs.recompute import ResultChange

__all__ = ["BenchDesk"]

_REDUCED_FROM = ("kind", "energy_wh", "cell_voltage_v", "output_w", "current_a", "ports")
"""What the results of a device's runs depend on, of its sheet."""
_METER_SPECS = ("voltage_spec", "current_spec", "temperature_spec", "power_spec", "clock_spec")


class BenchDesk:
    """Devices and meters; mixed into `Library`."""

    catalogue: Catalogue
    who: str

    def bench(self) -> Bench:
        """Devices, meters and constants as they are now."""
        from store.catalogue.thresholds import own_values
        from store.imports.reduction import Bench

        with self.catalogue.reader() as cursor:
            devices = saved.load_devices(cursor)
            meters = {meter.name: meter for meter in saved.list_meters(cursor)}
            calibrations = saved.load_calibrations(cursor)
            own = own_values(cursor)
        return Bench(devices, meters, calibrations, own)

    def devices(self) -> tuple[DeviceRow, ...]:
        """Devices that have a sheet or runs."""
        with self.catalogue.reader() as cursor:
            return saved.list_devices(cursor)

    def device(self, name: str) -> DeviceSheet:
        """A device's sheet.

        Raises:
            NotFound: It has none.
        """
        found = self.sheet(name)
        if found is None:
            raise NotFound.of("device", name, self.sheets())
        return found

    def sheet(self, name: str) -> DeviceSheet | None:
        """A device's sheet; None where it has none. Reads no other device's."""
        with self.catalogue.reader() as cursor:
            return saved.load_device(cursor, name)

    def sheets(self) -> dict[str, DeviceSheet]:
        """Every device's sheet, by its code."""
        with self.catalogue.reader() as cursor:
            return saved.load_devices(cursor)

    def save_device(self, sheet: DeviceSheet, who: str | None = None, reason: str = "") -> int:
        """Store a device's sheet; differences from the one before become amendments, its results are made anew.

        Returns:
            How many fields changed; 0 for a new device or an unchanged sheet.
        """
        before = self.sheet(sheet.device)
        with self._writer() as cursor:
            changed = saved.save_device(cursor, sheet, who or self.who, reason)
            if before is None or any(getattr(before, name) != getattr(sheet, name) for name in _REDUCED_FROM):
                pending.note(cursor, "device = ?", [sheet.device])
        self._make_anew()
        return changed

    def meters(self) -> tuple[Meter, ...]:
        """Every meter, with the date of its latest calibration."""
        with self.catalogue.reader() as cursor:
            return saved.list_meters(cursor)

    def add_meter(self, meter: Meter, who: str | None = None, reason: str = "") -> None:
        """Store a meter; differences from before become amendments, results of its runs are made anew."""
        before = {known.name: known for known in self.meters()}.get(meter.name)
        with self._writer() as cursor:
            saved.save_meter(cursor, meter, who or self.who, reason)
            if before is None or any(getattr(before, name) != getattr(meter, name) for name in _METER_SPECS):
                pending.note(cursor, "meter = ?", [meter.name])
        self._make_anew()

    def add_calibration(self, calibration: Calibration, who: str | None = None, reason: str = "") -> None:
        """Append to a meter's dated list; runs from that day on get its corrections."""
        with self._writer() as cursor:
            saved.save_calibration(cursor, calibration, who or self.who, reason)
            pending.note(cursor, "meter = ? AND started_at >= ?", [calibration.meter, calibration.calibrated_on])
        self._make_anew()

    def calibrations(self, meter: str | None = None) -> Sequence[Calibration]:
        """Calibrations by date, of one meter or of all."""
        with self.catalogue.reader() as cursor:
            return saved.load_calibrations(cursor, meter)

    def thresholds(self) -> tuple[ThresholdRow, ...]:
        """Every named constant of the detectors with its value here, its default and its reason."""
        from store.catalogue.thresholds import list_thresholds

        with self.catalogue.reader() as cursor:
            return list_thresholds(cursor)

    def set_thresholds(
        self,
        values: Mapping[str, float | None],
        who: str | None = None,
        reason: str = "",
        progress: Callable[[int, int], None] | None = None,
    ) -> list[ResultChange]:
        """Set constants of the detectors for this library, each an amendment; what rests on them is made anew.

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
        from store.catalogue.thresholds import save_thresholds

        with self._writer() as cursor:
            changed = save_thresholds(cursor, values, who or self.who, reason)
            if changed:
                pending.note(cursor, "true")
        if changed:
            return cast("Library", self).recompute(progress=progress)
        self._make_anew()
        return []

    def preview_recompute(
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
        from store.runs.previews import preview

        known = self.bench()
        if thresholds:
            known = replace(known, thresholds=with_values(known.thresholds, thresholds))
        return preview(cast("Library", self), run_ids, bench=known, progress=progress)

    def pair(self, run_ids: Sequence[int], who: str | None = None, reason: str = "") -> PairByHand:
        """Set a discharge against a recharge by hand, in either order; dates decide for all others.

        Raises:
            NotFound: A run that isn't there.
            WrongFact: Not one discharge and one recharge of one device.
        """
        from store.runs.pairs import save_pair

        with self._writer() as cursor:
            return save_pair(cursor, run_ids, who or self.who, reason)

    def unpair(self, run_id: int, who: str | None = None, reason: str = "") -> bool:
        """Take a pair made by hand away; whether there was one."""
        from store.runs.pairs import take_pair_away

        with self._writer() as cursor:
            return take_pair_away(cursor, run_id, who or self.who, reason)

    def pairs(self) -> tuple[PairByHand, ...]:
        """Pairs made by hand."""
        from store.runs.pairs import pairs_by_hand

        with self.catalogue.reader() as cursor:
            return pairs_by_hand(cursor)

    def _make_anew(self) -> None:
        """Results of the runs that a changed fact touches; those that come out the same stay as they are."""
        with self.catalogue.reader() as cursor:
            waiting = pending.due(cursor)
        if waiting:
            cast("Library", self).recompute(waiting)

    @contextmanager
    def _writer(self) -> Iterator[duckdb.DuckDBPyConnection]:
        with self.catalogue.writer() as cursor:
            yield cursor
