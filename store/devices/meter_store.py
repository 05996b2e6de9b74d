"""Meters of a library and their calibrations: looked up, changed, and dependent results recomputed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from store.catalogue import pending
from store.core import Store
from store.devices import saved
from store.model.records import Calibration, Meter

__all__ = ["MeterStore"]

_SPECS = ("voltage_spec", "current_spec", "temperature_spec", "power_spec", "clock_spec")
"""What the results of a meter's runs depend on."""


@dataclass(frozen=True, slots=True)
class MeterStore:
    """The meters of one library."""

    store: Store

    def all(self) -> tuple[Meter, ...]:
        """Every meter, with the date of its latest calibration."""
        with self.store.catalogue.reader() as cursor:
            return saved.list_meters(cursor)

    def add(self, meter: Meter, who: str | None = None, reason: str = "") -> None:
        """Store a meter; differences from before become amendments, results of its runs are recomputed."""
        before = {known.name: known for known in self.all()}.get(meter.name)
        with self.store.catalogue.writer() as cursor:
            saved.save_meter(cursor, meter, who or self.store.who, reason)
            if before is None or any(getattr(before, name) != getattr(meter, name) for name in _SPECS):
                pending.note(cursor, "meter = ?", [meter.name])
        from store.runs.recompute import recompute_due

        recompute_due(self.store)

    def calibrations(self, meter: str | None = None) -> Sequence[Calibration]:
        """Calibrations by date, of one meter or of all."""
        with self.store.catalogue.reader() as cursor:
            return saved.load_calibrations(cursor, meter)

    def add_calibration(self, calibration: Calibration, who: str | None = None, reason: str = "") -> None:
        """Append to a meter's dated list; runs from that day on get its corrections."""
        with self.store.catalogue.writer() as cursor:
            saved.save_calibration(cursor, calibration, who or self.store.who, reason)
            pending.note(cursor, "meter = ? AND started_at >= ?", [calibration.meter, calibration.calibrated_on])
        from store.runs.recompute import recompute_due

        recompute_due(self.store)
