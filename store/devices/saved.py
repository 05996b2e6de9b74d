"""Devices and meters in the catalogue: saved with amendments, read back whole.

Knows the catalogue's tables and the sheet's records; no TOML, no screen.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields, replace
from datetime import date
from typing import Any

import duckdb

from store.catalogue.amendments import Change, amend
from store.catalogue.connection import rows
from store.catalogue.run_records import append_rows
from store.catalogue.settings import read_settings, write_setting
from store.errors import NotFound, WrongFact
from store.model.records import Calibration, DeviceRow, Meter
from store.model.results import Correction
from store.model.sheet import ClaimSheet, DeviceSheet, MarkSheet, PortSheet
from store.words.clock import now_utc, to_stored

__all__ = [
    "POWER_SPEC",
    "flat_sheet",
    "list_devices",
    "list_meters",
    "load_device",
    "load_devices",
    "save_calibration",
    "save_device",
    "save_meter",
    "sheet_from_json",
    "sheet_to_json",
]

_PARTS = {"ports": PortSheet, "marks": MarkSheet, "claims": ClaimSheet}
POWER_SPEC = "power_spec"
CLOCK_SPEC = "clock_spec"
"""Group of settings that holds each meter's accuracy for the power it logs itself."""
_DATES = ("made_on", "price_on")


def sheet_to_json(sheet: DeviceSheet) -> str:
    """A sheet as JSON, whole."""
    return json.dumps(asdict(sheet), ensure_ascii=False, default=str)


def sheet_from_json(text: str) -> DeviceSheet:
    """The inverse of `sheet_to_json`."""
    plain: dict[str, Any] = json.loads(text)
    known = {f.name for f in fields(DeviceSheet)}
    values = {name: value for name, value in plain.items() if name in known}
    for name in _DATES:
        values[name] = date.fromisoformat(values[name]) if values.get(name) else None
    for name, part in _PARTS.items():
        values[name] = tuple(_part(part, row) for row in values.get(name) or ())
    return DeviceSheet(**values)


def _part(part: Any, row: Mapping[str, Any]) -> Any:
    known = {f.name for f in fields(part)}
    return part(**{k: tuple(v) if isinstance(v, list) else v for k, v in row.items() if k in known})


def load_devices(cursor: duckdb.DuckDBPyConnection) -> dict[str, DeviceSheet]:
    """Every device's sheet, by its code."""
    found = rows(cursor, "SELECT device, sheet FROM catalogue.device ORDER BY device")
    return {str(device): sheet_from_json(str(sheet)) for device, sheet in found}


def load_device(cursor: duckdb.DuckDBPyConnection, name: str) -> DeviceSheet | None:
    """One device's sheet; None where it has none."""
    found = rows(cursor, "SELECT sheet FROM catalogue.device WHERE device = ?", [name])
    return sheet_from_json(str(found[0][0])) if found else None


def list_devices(cursor: duckdb.DuckDBPyConnection) -> tuple[DeviceRow, ...]:
    """Devices that have a sheet or runs, with how many runs each has."""
    sql = (
        "SELECT device, coalesce(d.kind, ''), coalesce(d.maker, ''), coalesce(d.model, ''), d.rated_wh, "
        "coalesce(r.n, 0) "
        "FROM catalogue.device d FULL JOIN (SELECT device, count(*) AS n FROM catalogue.run WHERE device IS NOT NULL "
        "GROUP BY device) r USING (device) ORDER BY device"
    )
    found: list[Any] = rows(cursor, sql)
    return tuple(DeviceRow(*row) for row in found)


def _device_row(sheet: DeviceSheet) -> dict[str, Any]:
    return {
        "device": sheet.device,
        "kind": sheet.kind,
        "maker": sheet.maker,
        "model": sheet.model,
        "serial": sheet.serial,
        "rated_wh": sheet.energy_wh,
        "rated_mah": sheet.capacity_mah,
        "cell_v": sheet.cell_voltage_v,
        "rated_output_w": sheet.output_w,
        "mass_g": sheet.mass_g,
        "volume_cm3": sheet.volume_cm3,
        "price": sheet.price,
        "currency": sheet.currency or None,
        "note": sheet.note,
        "sheet": sheet_to_json(sheet),
        "saved_at": to_stored(now_utc()),
    }


def _claim_row(device: str, position: int, claim: ClaimSheet) -> dict[str, Any]:
    plain = asdict(claim)
    plain.pop("line")
    return {"device": device, "position": position, "claim": claim.words(), **plain}


def save_device(cursor: duckdb.DuckDBPyConnection, sheet: DeviceSheet, who: str, reason: str) -> int:
    """Store a sheet; what differs from the one before becomes amendments.

    Returns:
        How many fields changed; 0 for a new device or an unchanged sheet.
    """
    if not sheet.device.strip():
        raise WrongFact("A device needs its inventory code.")
    before = load_device(cursor, sheet.device)
    changes = []
    if before is not None:
        changes = _differences(before, sheet)
        if not changes:
            return 0
        amend(cursor, [Change("device", sheet.device, *change) for change in changes], who, reason)
    for table in ("device", "port", "claim", "mark"):
        cursor.execute(f"DELETE FROM catalogue.{table} WHERE device = ?", [sheet.device])
    name = sheet.device
    append_rows(cursor, "device", [_device_row(sheet)])
    ports = [
        {**asdict(p), "port": p.name, "device": name, "offers": json.dumps(p.offers, ensure_ascii=False)}
        for p in sheet.ports
    ]
    for row in ports:
        del row["name"]
    append_rows(cursor, "port", ports)
    append_rows(cursor, "claim", [_claim_row(name, i, claim) for i, claim in enumerate(sheet.claims)])
    append_rows(cursor, "mark", [{"device": name, "name": m.name, "listing": m.listing} for m in sheet.marks])
    return len(changes)


def flat_sheet(sheet: DeviceSheet) -> dict[str, str | None]:
    """Every field by a name of its own: `mass_g`, `port C1`, `claim 2`."""
    flat: dict[str, str | None] = {}
    for name, value in asdict(sheet).items():
        if name not in _PARTS and name != "device":
            flat[name] = None if value in (None, "") else str(value)
    for port in sheet.ports:
        flat[f"port {port.name}"] = json.dumps(asdict(port), ensure_ascii=False)
    for mark in sheet.marks:
        flat[f"mark {mark.name}"] = mark.listing
    for number, claim in enumerate(sheet.claims, 1):
        plain = asdict(claim)
        plain.pop("line")
        flat[f"claim {number}"] = json.dumps(plain, ensure_ascii=False)
    return flat


def _differences(old: DeviceSheet, new: DeviceSheet) -> list[tuple[str, str | None, str | None]]:
    before, after = flat_sheet(old), flat_sheet(new)
    names = list(dict.fromkeys([*before, *after]))
    return [(n, before.get(n), after.get(n)) for n in names if before.get(n) != after.get(n)]


def list_meters(cursor: duckdb.DuckDBPyConnection) -> tuple[Meter, ...]:
    """Every meter with its latest calibration."""
    sql = (
        "SELECT m.meter, voltage_spec, current_spec, temperature_spec, "
        "(SELECT max(calibrated_on) FROM catalogue.calibration c WHERE c.meter = m.meter), note "
        "FROM catalogue.meter m ORDER BY m.meter"
    )
    found: list[Any] = rows(cursor, sql)
    powers, clocks = (read_settings(cursor, group) for group in (POWER_SPEC, CLOCK_SPEC))
    return tuple(
        replace(Meter(*row), power_spec=powers.get(row[0], ""), clock_spec=clocks.get(row[0], "")) for row in found
    )


def save_meter(cursor: duckdb.DuckDBPyConnection, meter: Meter, who: str, reason: str) -> None:
    """Store a meter; what differs from the one before becomes amendments, a new calibration date joins the list."""
    if not meter.name.strip():
        raise WrongFact("A meter needs a name.")
    plain = {
        "voltage_spec": meter.voltage_spec,
        "current_spec": meter.current_spec,
        "temperature_spec": meter.temperature_spec,
        "note": meter.note,
    }
    found = rows(cursor, f"SELECT {', '.join(plain)} FROM catalogue.meter WHERE meter = ?", [meter.name])
    if found:
        before = dict(zip(plain, found[0], strict=True))
        changed = [(n, str(before[n]) or None, v or None) for n, v in plain.items() if before[n] != v]
        amend(cursor, [Change("meter", meter.name, *change) for change in changed], who, reason)
        cursor.execute("DELETE FROM catalogue.meter WHERE meter = ?", [meter.name])
    for group in (POWER_SPEC, CLOCK_SPEC):
        was, now = read_settings(cursor, group).get(meter.name, ""), str(getattr(meter, group))
        if was != now:
            if found:
                amend(cursor, [Change("meter", meter.name, group, was or None, now or None)], who, reason)
            write_setting(cursor, group, meter.name, now or None)
    append_rows(cursor, "meter", [{"meter": meter.name, **plain}])
    if meter.calibrated_on:
        sql = "SELECT 1 FROM catalogue.calibration WHERE meter = ? AND calibrated_on = ?"
        if not rows(cursor, sql, [meter.name, meter.calibrated_on]):
            save_calibration(cursor, Calibration(meter.name, meter.calibrated_on), who, reason)


def save_calibration(cursor: duckdb.DuckDBPyConnection, calibration: Calibration, who: str, reason: str) -> None:
    """Append a calibration to a meter's list.

    Raises:
        NotFound: No such meter.
    """
    known = [str(row[0]) for row in rows(cursor, "SELECT meter FROM catalogue.meter")]
    if calibration.meter not in known:
        raise NotFound.of("meter", calibration.meter, known)
    append_rows(
        cursor,
        "calibration",
        [
            {
                "meter": calibration.meter,
                "calibrated_on": calibration.calibrated_on,
                "done_by": calibration.done_by,
                "document": calibration.document,
                "due_on": calibration.due_on,
                "found": calibration.found,
                "adjusted": calibration.adjusted,
                "corrections": json.dumps([asdict(c) for c in calibration.corrections]),
            }
        ],
    )
    on = calibration.calibrated_on.isoformat()
    amend(cursor, [Change("calibration", calibration.meter, "calibrated_on", None, on)], who, reason)


def load_calibrations(cursor: duckdb.DuckDBPyConnection, meter: str | None = None) -> Sequence[Calibration]:
    """Calibrations by date, of one meter or of all."""
    sql = (
        "SELECT meter, calibrated_on, done_by, document, due_on, found, adjusted, corrections "
        "FROM catalogue.calibration WHERE ? IS NULL OR meter = ? ORDER BY meter, calibrated_on"
    )
    names = ("meter", "calibrated_on", "done_by", "document", "due_on", "found", "adjusted")
    return tuple(
        Calibration(
            **dict(zip(names, row[:7], strict=True)), corrections=tuple(Correction(**c) for c in json.loads(row[7]))
        )
        for row in rows(cursor, sql, [meter, meter])
    )
