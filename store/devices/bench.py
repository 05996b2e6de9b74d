"""What is known of devices, meters and constants when runs are reduced and judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from store.catalogue.thresholds import own_values
from store.core import Store
from store.devices import saved
from store.model.records import Calibration, Meter, RunFacts
from store.model.results import Correction, MeterAccuracy, RunContext
from store.model.sheet import DeviceSheet
from store.usb.offers import offered_current_a

__all__ = ["Bench", "load_bench"]


@dataclass(frozen=True, slots=True)
class Bench:
    """What is known of devices and meters when runs are reduced."""

    devices: Mapping[str, DeviceSheet] = field(default_factory=dict)
    meters: Mapping[str, Meter] = field(default_factory=dict)
    calibrations: Sequence[Calibration] = ()
    """By meter and date."""
    thresholds: Mapping[str, float] = field(default_factory=dict)

    def context(self, facts: RunFacts) -> RunContext:
        """What the results of a run depend on."""
        sheet = self.devices.get(facts.device or "")
        meter = self.meters.get(facts.meter or "")
        context = RunContext(
            kind=facts.kind,
            direction=facts.direction,
            mode=facts.mode,
            load_set=facts.load_set,
            ambient_c=facts.ambient_c,
            port=facts.port,
            measured_at=facts.measured_at,
            cable_mohm=facts.cable_mohm,
            thresholds=self.thresholds,
        )
        if meter:
            accuracy = MeterAccuracy(
                meter.name,
                meter.voltage_spec,
                meter.current_spec,
                meter.temperature_spec,
                meter.power_spec,
                meter.clock_spec,
            )
            context = replace(context, meter=accuracy, corrections=self._corrections(facts))
        if sheet:
            context = replace(
                context,
                rated_energy_wh=sheet.energy_wh,
                cell_voltage_v=sheet.cell_voltage_v,
                rated_power_w=sheet.output_w,
                rated_current_a=_advertised_current_a(sheet, facts),
            )
        return context

    def _corrections(self, facts: RunFacts) -> tuple[Correction, ...]:
        """Of the meter's last calibration on or before the day of the run; none where that day is not known."""
        if facts.started_at is None:
            return ()
        day = facts.started_at.date()
        before = [c for c in self.calibrations if c.meter == facts.meter and c.calibrated_on <= day]
        return max(before, key=lambda c: c.calibrated_on).corrections if before else ()


def _advertised_current_a(sheet: DeviceSheet, facts: RunFacts) -> float | None:
    """What the port advertises in the run's mode [A]; a cable's rating is its own."""
    if sheet.kind == "cable":
        return sheet.current_a
    port = sheet.port(facts.port or "")
    return offered_current_a(port.offers, facts.mode) if port else None


def load_bench(store: Store) -> Bench:
    """Devices, meters and constants as they are now."""
    with store.catalogue.reader() as cursor:
        devices = saved.load_devices(cursor)
        meters = {meter.name: meter for meter in saved.list_meters(cursor)}
        calibrations = saved.load_calibrations(cursor)
        own = own_values(cursor)
    return Bench(devices, meters, calibrations, own)
