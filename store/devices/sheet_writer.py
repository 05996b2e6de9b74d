"""A `DeviceSheet` as TOML that `sheet_reader` reads back alike, and the commented sheet to start from.

Knows TOML text; knows no file, no catalogue and no screen.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date

import tomlkit
from tomlkit.items import AoT, Table

from store.model.sheet import ClaimSheet, DeviceSheet, MarkSheet, PortSheet

__all__ = ["TEMPLATE", "write_sheet"]

_Value = str | float | date | tuple[str, ...] | None

TEMPLATE = """\
# A device's sheet: fill in while unboxing, then: joulebook device load sheet.toml
# Only `device` and `kind` are required. Take out the # before a line that you fill in.
# Load it again after an edit: the differences are kept as amendments.

device = "PB-00"            # your own inventory code: one sample, one code
kind = "power bank"         # power bank | adapter | cable
# maker = "..."             # free text, like model, serial and note
# model = "..."
# serial = "..."
# made_on = 2026-01-01      # date of manufacture where marked; limits of adapters depend on it
# note = "..."

[rated]                     # as marked on the case
# capacity_mah = 16000      # charge of the cells
# cell_voltage_v = 3.85     # the cells' nominal voltage
# energy_wh = 61.6          # what air travel rules go by
# output_w = 60             # an adapter's nameplate, a power bank's total
# current_a = 5             # a cable's rated current

[mass_g]
# device = 352.0            # alone, without cable
# cable = 41
# packaging = 120

[size_mm]
# length = 152
# width = 71
# height = 25

[price]
# amount = 59.90
# currency = "EUR"
# on = 2026-02-01

# One [[port]] for each connector. `mains` is an adapter's AC side.
# [[port]]
# name = "C1"
# connector = "USB-C"
# direction = "both"        # in | out | both
# offers = ["fixed 5/9/12/15/20 V 3 A", "PPS 3.3-21 V 3 A", "0x0001912C"]

# One [[mark]] for each mark on the case.
# [[mark]]
# name = "..."
# listing = "not looked for"  # found | not found | not looked for: was a certificate's listing found?

# One [[claim]] for each number that the maker prints.
# [[claim]]
# quantity = "energy_out_wh"  # a result's name, or mass_g, rated_energy_wh, offers, flight
# bound = "at least"        # at least | at most | about
# value = 48.0
# unit = "Wh"               # quantity = "charges", value = 3.2: unit = "of 15 Wh" or "of 4000 mAh at 3.85 V"
# tolerance_percent = 5     # with `about`
# port = "C1"               # port, mode, load, kind and ambient_c narrow the runs that count; several at once: C1+A1
# mode = "fixed 20 V"
# load = "30 W"
# kind = "discharge"
# ambient_c = 23
# condition = "as printed"
# printed_on = "case"
# text = "word for word, for a claim that is not a number"
"""
"""A commented sheet to start from."""


def write_sheet(sheet: DeviceSheet) -> str:
    """Write a sheet as TOML; what is not stated is left out."""
    document = tomlkit.document()
    top = ("device", "kind", "maker", "model", "serial", "made_on", "note")
    for key in top:
        _put(document, key, getattr(sheet, key))
    for name, keys in _TABLES.items():
        table = tomlkit.table()
        for key, target in keys.items():
            _put(table, key, getattr(sheet, target))
        if table:
            document[name] = table
    for name, rows in (
        ("port", map(_port, sheet.ports)),
        ("mark", map(_mark, sheet.marks)),
        ("claim", map(_claim, sheet.claims)),
    ):
        array = _array(rows)
        if array:
            document[name] = array
    return tomlkit.dumps(document)


_TABLES: Mapping[str, Mapping[str, str]] = {
    "rated": {
        "capacity_mah": "capacity_mah",
        "cell_voltage_v": "cell_voltage_v",
        "energy_wh": "rated_energy_wh",
        "output_w": "output_w",
        "current_a": "current_a",
    },
    "mass_g": {"device": "mass_g", "cable": "mass_cable_g", "packaging": "mass_packaging_g"},
    "size_mm": {"length": "length_mm", "width": "width_mm", "height": "height_mm"},
    "price": {"amount": "price", "currency": "currency", "on": "price_on"},
}


def _put(table: tomlkit.TOMLDocument | Table, key: str, value: _Value) -> None:
    if value is None or value in ("", ()):
        return
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        table[key] = int(value)
    else:
        table[key] = list(value) if isinstance(value, tuple) else value


def _array(rows: Iterable[Mapping[str, _Value]]) -> AoT:
    array = tomlkit.aot()
    for row in rows:
        table = tomlkit.table()
        for key, value in row.items():
            _put(table, key, value)
        array.append(table)
    return array


def _port(port: PortSheet) -> Mapping[str, _Value]:
    return {"name": port.name, "connector": port.connector, "direction": port.direction, "offers": port.offers}


def _mark(mark: MarkSheet) -> Mapping[str, _Value]:
    return {"name": mark.name, "listing": mark.listing}


def _claim(claim: ClaimSheet) -> Mapping[str, _Value]:
    return {
        "quantity": claim.quantity,
        "bound": claim.bound,
        "value": claim.value if claim.value is not None else claim.value_text,
        "unit": claim.unit,
        "tolerance_percent": claim.tolerance_percent,
        "port": claim.port,
        "mode": claim.mode,
        "load": claim.load,
        "kind": claim.kind,
        "ambient_c": claim.ambient_c,
        "condition": claim.condition,
        "printed_on": claim.printed_on,
        "text": claim.text,
    }
