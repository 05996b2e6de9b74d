"""Many devices, each with a sheet and claims, over the copied runs of `many_runs`. All data is invented."""

from __future__ import annotations

from pathlib import Path

from store import Library
from store.devices.saved import save_device
from store.devices.sheet_reader import read_sheet
from tests.benchmarks.many_runs import library_of

__all__ = ["devices_of", "sheet_text"]

_SHEET = """
device = "{device}"
kind = "power bank"
model = "Model {model}"
[rated]
capacity_mah = 10000
cell_voltage_v = 3.7
energy_wh = 37
output_w = 60
[mass_g]
device = 220.0
[price]
amount = 39.90
currency = "EUR"
[[port]]
name = "C1"
connector = "USB-C"
direction = "both"
offers = ["fixed 5/9/15/20 V 3 A"]
[[claim]]
quantity = "energy_out_wh"
bound = "at least"
value = {energy}
unit = "Wh"
printed_on = "case"
[[claim]]
quantity = "temperature_max_c"
bound = "at most"
value = 45
unit = "°C"
[[claim]]
quantity = "round_trip"
bound = "at least"
value = 0.6
unit = "1"
[[claim]]
quantity = "flight"
"""


def sheet_text(number: int) -> str:
    """The sheet of the device of that number, counted from 0."""
    return _SHEET.format(device=f"PB-{number + 1:04d}", model=number // 4, energy=5 + number % 40)


def devices_of(folder: Path, runs: int, devices: int = 1003) -> Library:
    """A library of so many runs of so many devices, every device with a sheet of four claims.

    Args:
        folder: Where it is made.
        runs: How many runs, as `library_of` takes them.
        devices: How many devices; runs are dealt to them by their number.
    """
    library = library_of(folder, runs)
    with library.catalogue.writer() as cursor:
        name = f"'PB-' || lpad(CAST(1 + (run_id * 31) % {devices} AS VARCHAR), 4, '0')"
        cursor.execute(f"UPDATE catalogue.run SET device = {name}")
        cursor.execute(f"UPDATE catalogue.result SET device = {name} WHERE run_id IS NOT NULL")
        for number in range(devices):
            save_device(cursor, read_sheet(sheet_text(number), "made.toml").sheet, "maker", "")
    return library
