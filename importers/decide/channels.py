"""Quantity and role of a column -> channel of the normal form; what ranges are possible on this bench.

Knows the schema's channel names. Knows no file.
"""

from __future__ import annotations

__all__ = ["COMMON_UNITS", "MAIN", "RARE_UNITS", "channel_of", "is_plausible"]

MAIN = ("voltage_v", "current_a", "power_w", "energy_wh", "charge_ah")
"""Channels that belong to a port."""

_BY_QUANTITY = {
    "voltage": "voltage_v",
    "current": "current_a",
    "power": "power_w",
    "charge": "charge_ah",
    "energy": "energy_wh",
    "resistance": "resistance_ohm",
    "frequency": "frequency_hz",
    "power_factor": "power_factor",
}
_TEMPERATURES = {
    None: "temperature_c",
    "case": "temperature_c",
    "cell": "temperature_cell_c",
    "plug": "temperature_plug_c",
    "meter": "temperature_meter_c",
    "ambient": "temperature_ambient_c",
    "second": "temperature_2_c",
}
_VOLTAGES = {
    "far": "voltage_far_v",
    "dp": "voltage_dp_v",
    "dm": "voltage_dm_v",
    "cc1": "voltage_cc1_v",
    "cc2": "voltage_cc2_v",
    "display": "display_voltage_v",
}
_DISPLAY = {
    "voltage": "display_voltage_v",
    "current": "display_current_a",
    "power": "display_power_w",
    "energy": "display_energy_wh",
    "percent": "display_percent",
}

COMMON_UNITS = {
    "voltage": ("V", "mV"),
    "current": ("A", "mA"),
    "power": ("W", "mW"),
    "energy": ("Wh", "mWh", "J"),
    "charge": ("Ah", "mAh", "C"),
    "temperature": ("°C", "°F", "K"),
    "resistance": ("Ω", "mΩ"),
    "time": ("s", "ms", "min", "h"),
    "frequency": ("Hz",),
    "percent": ("%",),
}
"""Units that an export without units may mean."""

RARE_UNITS = {
    "voltage": (),
    "current": ("µA",),
    "power": ("kW",),
    "energy": ("kWh", "kJ"),
    "charge": (),
    "time": ("µs", "d"),
}
"""Units that only numbers can suggest."""

_LIMITS = {
    "voltage": (0.0, 400.0),
    "current": (0.0, 30.0),
    "power": (0.0, 600.0),
    "energy": (0.0, 3000.0),
    "charge": (0.0, 500.0),
    "resistance": (0.0, 1e9),
    "frequency": (0.0, 1000.0),
    "temperature": (-60.0, 200.0),
}


def channel_of(quantity: str | None, role: str | None) -> str | None:
    """Name the channel of a quantity in a role; None where there is none."""
    if quantity is None:
        return None
    if role == "display":
        return _DISPLAY.get(quantity)
    if quantity == "temperature":
        return _TEMPERATURES.get(role)
    if quantity == "voltage" and role in _VOLTAGES:
        return _VOLTAGES[role]
    if quantity == "percent":
        return "display_percent"
    return _BY_QUANTITY.get(quantity)


def is_plausible(quantity: str, largest: float) -> bool:
    """Tell whether a magnitude in channel units can occur on a USB bench (limits chosen by us, generous).

    USB power delivery ends at 50.9 V and 5 A, mains at about 280 V; a power bank holds less than 3 kWh.
    """
    low, high = _LIMITS.get(quantity, (-1e300, 1e300))
    return low <= largest <= high
