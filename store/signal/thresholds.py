"""The named constants of detection, each with its reason. A library may change any of them.

Knows no trace and no file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

__all__ = ["THRESHOLDS", "Threshold", "ThresholdRange"]


@dataclass(frozen=True, slots=True)
class Threshold:
    """A constant that decides what counts as what."""

    name: str
    value: float
    unit: str
    reason: str
    is_everywhere: bool = False
    """True where it decides about the load window, and so about all results; else the results' specs name it."""

    @property
    def is_share(self) -> bool:
        """Whether it is a share of something, always under one."""
        return self.name.endswith(("_share", "_band", "_disagreement"))


_ALL = (
    Threshold(
        "gap_steps",
        5.0,
        "1",
        "a meter that skips four readings in a row has stopped logging; fewer is jitter",
        is_everywhere=True,
    ),
    Threshold(
        "gap_min_s",
        1.0,
        "s",
        "power changes little within a second, so a shorter hole may be bridged",
        is_everywhere=True,
    ),
    Threshold(
        "plateau_percentile",
        95.0,
        "%",
        "the highest level, without the few samples of spikes above it",
        is_everywhere=True,
    ),
    Threshold(
        "plateau_share",
        0.5,
        "1",
        "samples above half of that level belong to the load, the rest to its edges",
        is_everywhere=True,
    ),
    Threshold(
        "window_share",
        0.1,
        "1",
        "idle draw of a bank and a meter's offset stay under a tenth of any test load",
        is_everywhere=True,
    ),
    Threshold("power_disagreement", 0.01, "1", "two readings of one meter that differ by more are not of one moment"),
    Threshold(
        "counter_disagreement", 0.02, "1", "a counter and an integral of one log agree better unless data are missing"
    ),
    Threshold(
        "zero_current_a",
        0.005,
        "A",
        "offsets of bench meters stay under 5 mA; used where the meter's is unknown",
        is_everywhere=True,
    ),
    Threshold(
        "zero_current_share",
        0.005,
        "1",
        "half a percent of the largest current, where the meter's offset is unknown",
        is_everywhere=True,
    ),
    Threshold("held_band", 0.05, "1", "the tolerance that USB PD gives a source's voltage, taken for its load as well"),
    Threshold("held_break_s", 2.0, "s", "a noisy meter leaves the band for single readings; a load for longer"),
    Threshold("cutback_min_s", 10.0, "s", "a device that lowers its power for less is settling, not cutting back"),
    Threshold(
        "cutback_rise_share", 0.25, "1", "a cutback reaches its level in the first quarter, a fading pack creeps"
    ),
    Threshold("cutoff_share", 0.02, "1", "under a fiftieth of the load the output is off"),
    Threshold("cutoff_within_s", 10.0, "s", "protection acts at once; a fading pack takes longer"),
    Threshold("full_share", 0.05, "1", "the usual end-of-charge current is a twentieth of the charging current"),
    Threshold("intake_share", 0.01, "1", "under a hundredth of the plateau a charge adds less than meters tell apart"),
    Threshold("full_energy_share", 0.8, "1", "the share that makers promise a time for"),
    Threshold("taper_band", 0.05, "1", "as held_band, for a charger"),
    Threshold("pause_share", 0.1, "1", "as window_share: under a tenth a charger rests"),
    Threshold("pause_min_s", 30.0, "s", "shorter rests are a charger's own probing of the cell"),
    Threshold("thermal_band_k", 3.0, "K", "a pause that begins near the hottest moment is most likely for heat"),
    Threshold("peak_mean_s", 10.0, "s", "long enough to leave inrush out"),
    Threshold("steady_k", 3.0, "K", "IEC 62368-1 B.1.6: at most 3 K ..."),
    Threshold("steady_window_s", 1800.0, "s", "... in 30 minutes"),
    Threshold("end_slope_s", 600.0, "s", "ten minutes average out a quantised thermometer"),
    Threshold("fit_error_share", 0.3, "1", "a time constant known worse than this projects nothing"),
    Threshold("fit_residual_share", 0.1, "1", "residuals over a tenth of the rise mean another shape than first order"),
    Threshold("fit_covers", 1.0, "1", "a log shorter than one time constant has not shown the plateau it is asked for"),
    Threshold("ambient_stated_k", 0.5, "K", "a room's temperature noted by hand is good to half a kelvin"),
    Threshold(
        "touch_limit_c", 48.0, "degC", "IEC 62368-1 TS1 for surfaces held over a minute, any material (from memory)"
    ),
    Threshold("settle_s", 1.0, "s", "a load and a meter's filter need a second after a step"),
    Threshold("level_share", 0.02, "1", "steps of a sweep are larger than a fiftieth of its largest current"),
    Threshold("level_min_s", 3.0, "s", "a level must leave two seconds after settling to be averaged"),
    Threshold("trip_voltage_share", 0.8, "1", "no load works under four fifths of nominal"),
    Threshold("trip_current_share", 0.1, "1", "under a tenth of the largest current the output has shut off"),
    Threshold("trip_within_s", 2.0, "s", "protection acts within two seconds; slower is current limiting"),
    Threshold("on_hold_s", 60.0, "s", "ports decide about a light load within a minute"),
    Threshold("off_share", 0.5, "1", "a port under half of its voltage is off"),
    Threshold("dropout_share", 0.8, "1", "as trip_voltage_share"),
    Threshold(
        "mode_change_share", 0.05, "1", "the steady tolerance of a USB PD source: further away is another voltage"
    ),
    Threshold("mode_change_hold_s", 2.0, "s", "transients between two contracts are over by then"),
)

THRESHOLDS: Mapping[str, Threshold] = MappingProxyType({item.name: item for item in _ALL})
"""Every constant by name."""


@dataclass(frozen=True, slots=True)
class ThresholdRange:
    """Constants in force for one run: the defaults, with a library's own values over them."""

    own: Mapping[str, float]

    def __getitem__(self, name: str) -> float:
        """Value of a constant in the unit that THRESHOLDS states."""
        default = THRESHOLDS[name].value
        return float(self.own.get(name, default))

    def changed(self) -> tuple[str, ...]:
        """Names of constants that this library sets otherwise."""
        return tuple(n for n, v in sorted(self.own.items()) if n in THRESHOLDS and v != THRESHOLDS[n].value)
