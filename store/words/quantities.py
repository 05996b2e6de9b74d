"""What a claim can be about, in which unit, and units turned into one another.

Knows words and factors only. A result's name ends in its unit (`energy_out_wh`); a name without such an
ending is a plain number.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["QUANTITIES", "Quantity", "WrongUnitError", "convert", "find_quantity", "label_of", "unit_of"]


class WrongUnitError(ValueError):
    """A value whose unit is not known or measures something else."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """Something that a maker claims and that can be measured, weighed or read off."""

    name: str
    unit: str
    label: str
    kinds: tuple[str, ...] = ()
    """The kinds of run that count where a claim names none; empty is any kind."""
    is_of_device: bool = False
    """True where it comes from the sheet or from several runs together."""
    action: str = ""
    """What the tester does to get it, where that is no run."""


def _run(name: str, label: str, *kinds: str) -> Quantity:
    return Quantity(name, unit_of(name), label, kinds)


def _whole(name: str, label: str, action: str, *kinds: str) -> Quantity:
    return Quantity(name, unit_of(name), label, kinds, is_of_device=True, action=action)


_SUFFIXES = {
    "wh": "Wh",
    "ah": "Ah",
    "mah": "mAh",
    "w": "W",
    "v": "V",
    "mv": "mV",
    "a": "A",
    "s": "s",
    "c": "°C",
    "k": "K",
    "g": "g",
    "mohm": "mΩ",
    "percent": "%",
    "cm3": "cm³",
}


def unit_of(name: str) -> str:
    """The unit in which a result of that name stands; `1` for a plain number.

    `wh_per_kg` is Wh/kg; `price_per_usable_wh` is 1/Wh, in the sheet's currency.
    """
    top, per, bottom = name.rpartition("_per_")
    if per:
        upper = _SUFFIXES.get(top.rpartition("_")[2], "1")
        lower = {"kg": "kg", "l": "L", "h": "h", "wh": "Wh"}.get(bottom.rpartition("_")[2], "1")
        return f"{upper}/{lower}"
    return _SUFFIXES.get(name.rpartition("_")[2], "1") if "_" in name else "1"


QUANTITIES: tuple[Quantity, ...] = (
    _run("energy_out_wh", "delivered energy", "discharge"),
    _run("charge_out_ah", "delivered charge", "discharge"),
    _run("cell_equivalent_mah", "charge at the cell's voltage", "discharge"),
    _run("runtime_s", "runtime", "discharge"),
    _run("held_s", "time at the set load", "discharge"),
    _run("power_plateau_w", "plateau power", "discharge"),
    _run("usable_share", "share of the rated energy", "discharge"),
    _run("energy_in_wh", "energy taken in", "recharge"),
    _run("charge_in_ah", "charge taken in", "recharge"),
    _run("power_peak_w", "peak charging power", "recharge"),
    _run("time_to_full_s", "time to full", "recharge"),
    _run("time_to_80_s", "time to 80 %", "recharge"),
    _run("temperature_max_c", "hottest", "heat", "discharge", "recharge"),
    _run("rise_k", "temperature rise", "heat", "discharge", "recharge"),
    _run("temperature_projected_c", "final temperature by projection", "heat", "discharge", "recharge"),
    _run("voltage_mean_v", "mean voltage", "regulation", "discharge"),
    _run("voltage_min_v", "lowest voltage", "regulation", "discharge"),
    _run("voltage_max_v", "highest voltage", "regulation", "discharge"),
    _run("power_mean_w", "mean power", "discharge", "recharge"),
    _run("voltage_error_worst_percent", "worst error of voltage", "regulation"),
    _run("window_margin_worst_v", "least margin to the window", "regulation"),
    _run("source_resistance_mohm", "source resistance", "regulation"),
    _run("trip_current_a", "trip current", "overload"),
    _run("trip_power_w", "trip power", "overload"),
    _run("trip_ratio", "trip over rating", "overload"),
    _run("over_rating_s", "time over its rating", "overload"),
    _run("stayed_on_a", "lowest current that kept it on", "light-load"),
    _run("switched_off_a", "highest current that switched off", "light-load"),
    _run("switch_off_after_s", "time to switching off", "light-load"),
    _run("dropouts", "dropouts", "pass-through"),
    _run("longest_dropout_s", "longest dropout", "pass-through"),
    _run("lowest_voltage_v", "lowest voltage while plugged", "pass-through"),
    _run("display_voltage_bias_v", "display's bias of voltage", "display"),
    _run("display_current_bias_a", "display's bias of current", "display"),
    _run("display_power_bias_w", "display's bias of power", "display"),
    _run("charge_level_off", "charge level off by", "display"),
    _run("charge_level_jumps", "jumps of the charge level", "display"),
    _run("pauses", "pauses while charging", "recharge"),
    _run("resistance_mohm", "cable resistance", "cable"),
    _run("loss_w", "power lost in the cable", "cable"),
    _whole("yield", "yield", "Discharge it once more; state the rated energy.", "discharge"),
    _whole("round_trip", "round trip", "Recharge it, then discharge it, at one ambient.", "discharge"),
    _whole("wall_to_load", "wall to load", "Recharge it, then discharge it, at one ambient.", "discharge"),
    _whole("wasted_share", "share of paid energy lost", "Recharge it, then discharge it, at one ambient.", "discharge"),
    _whole("sustained_power_w", "sustained power", "Discharge it at its rated load, temperature logged.", "discharge"),
    _whole("efficiency_average", "average efficiency", "Log AC and DC side in one group at each load.", "efficiency"),
    _whole("efficiency_10_percent", "efficiency at 10 % load", "Log AC and DC side in one group.", "efficiency"),
    _whole("efficiency_25_percent", "efficiency at 25 % load", "Log AC and DC side in one group.", "efficiency"),
    _whole("efficiency_50_percent", "efficiency at 50 % load", "Log AC and DC side in one group.", "efficiency"),
    _whole("efficiency_75_percent", "efficiency at 75 % load", "Log AC and DC side in one group.", "efficiency"),
    _whole("efficiency_100_percent", "efficiency at full load", "Log AC and DC side in one group.", "efficiency"),
    _whole("no_load_w", "power without load", "Log the AC side with nothing plugged in.", "standby"),
    _whole("drop_3a_v", "voltage drop at 3 A", "Log both ends of the cable.", "cable"),
    _whole("drop_5a_v", "voltage drop at 5 A", "Log both ends of the cable.", "cable"),
    _whole("wh_per_kg", "energy per mass", "Weigh it and discharge it.", "discharge"),
    _whole("wh_per_l", "energy per volume", "Measure its sides and discharge it.", "discharge"),
    _whole("w_per_kg", "power per mass", "Weigh it and state its output."),
    _whole("mass_g", "mass", "Weigh it and enter it under [mass_g]."),
    _whole("volume_cm3", "volume", "Measure its sides and enter them under [size_mm]."),
    _whole("rated_energy_wh", "rated energy", "Read it off the case and enter it under [rated]."),
    _whole("capacity_mah", "rated capacity", "Read it off the case and enter it under [rated]."),
    Quantity("offers", "", "modes offered", is_of_device=True, action="Read what the port advertises."),
    Quantity("flight", "", "air travel", is_of_device=True, action="Read the rated energy off the case."),
)
"""What claims are usually about, in the order of a page. Any other result of a run can be claimed too."""


def label_of(name: str) -> str:
    """What a page calls a result."""
    found = find_quantity(name)
    return found.label if found is not None else name.replace("_", " ")


def find_quantity(name: str) -> Quantity | None:
    """The quantity of that name, or None where it is not one of QUANTITIES."""
    return next((item for item in QUANTITIES if item.name == name), None)


_UNITS: dict[str, tuple[str, float, float]] = {
    "Wh": ("energy", 1.0, 0.0),
    "mWh": ("energy", 1e-3, 0.0),
    "kWh": ("energy", 1e3, 0.0),
    "J": ("energy", 1 / 3600, 0.0),
    "Ah": ("charge", 1.0, 0.0),
    "mAh": ("charge", 1e-3, 0.0),
    "W": ("power", 1.0, 0.0),
    "mW": ("power", 1e-3, 0.0),
    "kW": ("power", 1e3, 0.0),
    "V": ("voltage", 1.0, 0.0),
    "mV": ("voltage", 1e-3, 0.0),
    "A": ("current", 1.0, 0.0),
    "mA": ("current", 1e-3, 0.0),
    "s": ("time", 1.0, 0.0),
    "min": ("time", 60.0, 0.0),
    "h": ("time", 3600.0, 0.0),
    "°C": ("temperature", 1.0, 0.0),
    "°F": ("temperature", 5 / 9, -160 / 9),
    "K": ("temperature difference", 1.0, 0.0),
    "g": ("mass", 1.0, 0.0),
    "kg": ("mass", 1e3, 0.0),
    "mΩ": ("resistance", 1e-3, 0.0),
    "Ω": ("resistance", 1.0, 0.0),
    "1": ("number", 1.0, 0.0),
    "%": ("number", 1e-2, 0.0),
    "cm³": ("volume", 1.0, 0.0),
    "L": ("volume", 1e3, 0.0),
    "Wh/kg": ("energy per mass", 1.0, 0.0),
    "Wh/L": ("energy per volume", 1.0, 0.0),
    "W/kg": ("power per mass", 1.0, 0.0),
    "1/Wh": ("per energy", 1.0, 0.0),
}
"""Unit to what it measures, and its value in the first unit of that: factor x value + offset."""

_SPELLINGS = {
    "C": "°C",
    "degC": "°C",
    "Cel": "°C",
    "F": "°F",
    "degF": "°F",
    "mohm": "mΩ",
    "mOhm": "mΩ",
    "ohm": "Ω",
    "Ohm": "Ω",
    "": "1",
    "percent": "%",
    "cm3": "cm³",
    "l": "L",
    "Wh/l": "Wh/L",
    "hours": "h",
    "hour": "h",
    "minutes": "min",
    "seconds": "s",
}


def _known(unit: str) -> str:
    # The micro sign and the ohm sign have look-alikes; people type either.
    spelled = unit.strip().replace("\u2126", "\u03a9").replace(" ", "")
    return _SPELLINGS.get(spelled, spelled)


def convert(value: float, unit: str, target: str) -> float:
    """A value in another unit of the same quantity.

    Args:
        value: In `unit`.
        unit: As typed; empty means `target`.
        target: A unit of QUANTITIES.

    Raises:
        WrongUnitError: the unit is not known, or measures something else.
    """
    source, goal = _known(unit) if unit.strip() else _known(target), _known(target)
    if source == goal:
        return value
    if source not in _UNITS:
        raise WrongUnitError(f"`{unit}` is no unit known here; write it in {target}.")
    if goal not in _UNITS:
        raise WrongUnitError(f"{unit} can't be turned into {target}.")
    (measures, factor, offset), (wanted, by, shift) = _UNITS[source], _UNITS[goal]
    if measures != wanted:
        raise WrongUnitError(f"`{unit}` measures {measures}, but {target} is wanted, which measures {wanted}.")
    return float((factor * value + offset - shift) / by)
