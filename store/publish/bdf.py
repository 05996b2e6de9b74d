"""Runs of a power bank in the open battery data format (BDF), vocabulary 1.3.0, for those that it fits.

Source: LF Energy Battery Data Alliance, battery data format, schema 1.3.0 (2026-05-14): columns and units, positive
current charges the object under test, counters begin at 0. Knows the library and Arrow; no screen.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.compute as pc

from store.devices.device_store import DeviceStore
from store.devices.meter_store import MeterStore
from store.model.records import Meter, RunView
from store.publish.checked import check_traces
from store.publish.export import run_source
from store.publish.folder import check_free, filled_folder
from store.publish.package import hash_of, licence_lines
from store.publish.refusals import NotPublished
from store.publish.tables import plain_json, write_table
from store.runs.run_store import RunStore
from store.runs.sample_store import SampleStore
from store.version import __version__

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["export_bdf", "reason_against"]

CONFORMS_TO = "https://w3id.org/battery-data-alliance/ontology/battery-data-format"
"""IRI of the vocabulary, as the alliance's ontology repository gives it."""
VERSION = "1.3.0"
KINDS = ("discharge", "recharge")


@dataclass(frozen=True, slots=True)
class _Column:
    label: str
    machine: str
    values: pa.Array


def reason_against(run: RunView, device_kind: str) -> str:
    """Why a run does not fit the format, a sentence; empty where it does."""
    number = run.facts.run_id
    if device_kind != "power bank":
        return f"Run {number} is of {device_kind or 'a device without a sheet'}: the format holds tests of batteries."
    if run.facts.kind not in KINDS:
        return (
            f"Run {number} is {run.facts.kind or 'of no stated kind'}: only discharge and recharge runs fit the format."
        )
    needed = {"voltage": "voltage_v", "current": "current_a"}
    missing = [name for name, channel in needed.items() if channel not in run.channels]
    if missing:
        return f"Run {number} has no {' and no '.join(missing)}: the format requires both."
    if run.facts.direction not in ("in", "out"):
        return f"Run {number} does not say which way energy flows, so its current can't get the format's sign."
    return ""


def export_bdf(
    library: Store,
    run_ids: Sequence[int],
    folder: Path,
    form: str = "csv",
    *,
    licence: str = "",
    institution: str = "",
    replace: bool = False,
) -> list[str]:
    """Write runs in the open battery data format, each with a sidecar.

    Args:
        library: The library.
        run_ids: Which runs.
        folder: Where; made whole or not at all.
        form: `csv` (preferred labels) or `parquet` (machine names).
        licence: SPDX id; empty states that there is none.
        institution: First part of the files' names; the library's name where empty.
        replace: Write over files that are there.

    Returns:
        Names of the files.

    Raises:
        NotPublished: A run does not fit, with the sentence for each.
        FolderInUse: The folder holds something.
        TraceDamaged: A trace's hash is wrong.
    """
    if form not in ("csv", "parquet"):
        raise NotPublished(f"The format is written as csv or parquet, not as `{form}`.")
    check_free(folder, replace=replace)
    runs = [library.service(RunStore).get(run_id) for run_id in sorted(set(run_ids))]
    kinds = {row.device: row.kind for row in library.service(DeviceStore).all()}
    against = [text for run in runs if (text := reason_against(run, kinds.get(run.facts.device or "", "")))]
    if against:
        raise NotPublished("\n".join(against))
    if not runs:
        raise NotPublished("No run fits, so there is nothing to write.")
    check_traces(library, [run.facts.run_id for run in runs])
    meters = {meter.name: meter for meter in library.service(MeterStore).all()}
    names = []
    with filled_folder(folder, replace=replace) as work:
        for run in runs:
            stem = _stem(run, institution or library.name)
            columns = _columns(library.service(SampleStore).read(run.facts.run_id), run)
            path = work / f"{stem}.bdf.{form}"
            shown = [c.label if form == "csv" else c.machine for c in columns]
            write_table(pa.table([c.values for c in columns], names=shown), path, form)
            sidecar = work / f"{stem}.bdf.json"
            text = json.dumps(
                plain_json(
                    _sidecar(run, columns, path, form=form, licence=licence, meter=meters.get(run.facts.meter or ""))
                ),
                ensure_ascii=False,
                indent=2,
            )
            sidecar.write_text(text + "\n", encoding="utf-8", newline="\n")
            names += [path.name, sidecar.name]
    return names


def _stem(run: RunView, institution: str) -> str:
    """`Institution__Cell__YYYYMMDD_nnn`, of characters that every file system takes."""
    day = run.facts.started_at.strftime("%Y%m%d") if run.facts.started_at else "00000000"
    parts = [
        re.sub(r"[^A-Za-z0-9.-]+", "-", text).strip("-.") or "unnamed" for text in (institution, str(run.facts.device))
    ]
    return f"{parts[0]}__{parts[1]}__{day}_{run.facts.run_id:03d}"


def _columns(table: pa.Table, run: RunView) -> list[_Column]:
    """The format's columns, in its order of levels."""
    sign = -1.0 if run.facts.direction == "out" else 1.0
    word, prefix = ("Discharging", "discharging") if run.facts.direction == "out" else ("Charging", "charging")
    present = set(table.column_names)
    found = [_Column("Test Time / s", "test_time_second", table.column("t_s"))]
    found.append(_Column("Voltage / V", "voltage_volt", table.column("voltage_v")))
    found.append(_Column("Current / A", "current_ampere", _signed(table.column("current_a"), sign)))
    if run.facts.started_at is not None:
        start = run.facts.started_at.timestamp()
        found.append(_Column("Unix Time / s", "unix_time_second", pc.add(table.column("t_s"), start)))
    if run.facts.ambient_c is not None or "temperature_ambient_c" in present:
        logged = "temperature_ambient_c" in present
        ambient = table.column("temperature_ambient_c") if logged else pa.array([run.facts.ambient_c] * table.num_rows)
        found.append(_Column("Ambient Temperature / degC", "ambient_temperature_celsius", ambient))
    if "power_w" in present:
        found.append(_Column("Power / W", "power_watt", _signed(table.column("power_w"), sign)))
    for channel, label, machine in (
        ("charge_ah", f"{word} Capacity / Ah", f"{prefix}_capacity_ah"),
        ("energy_wh", f"{word} Energy / Wh", f"{prefix}_energy_wh"),
    ):
        if channel in present and (counted := _from_zero(table.column(channel))) is not None:
            found.append(_Column(label, machine, counted))
    if "temperature_c" in present:
        found.append(
            _Column("Surface Temperature / degC", "surface_temperature_celsius", table.column("temperature_c"))
        )
    others = [name for name in ("temperature_cell_c", "temperature_2_c", "temperature_plug_c") if name in present]
    for number, name in enumerate(others, start=1):
        label = f"Temperature T{number} / degC"
        found.append(_Column(label, f"temperature_t{number}_celsius", table.column(name)))
    return found


def _signed(values: pa.ChunkedArray, sign: float) -> pa.ChunkedArray:
    return pc.add(pc.multiply(values, sign), 0.0)  # no -0 in a file


def _from_zero(counter: pa.ChunkedArray) -> pa.ChunkedArray | None:
    """A meter's counter from 0 on; None where it falls (it wrapped or restarted), for the format forbids that."""
    known = counter.drop_null()
    if len(known) < 2:
        return None
    steps = pc.subtract(known.slice(1).combine_chunks(), known.slice(0, len(known) - 1).combine_chunks())
    if pc.min(steps).as_py() < 0:
        return None
    return pc.subtract(counter, known[0])


def _sidecar(
    run: RunView, columns: Sequence[_Column], path: Path, *, form: str, licence: str, meter: Meter | None
) -> dict[str, Any]:
    energy = next((r for r in run.results if r.name == "energy_wh" and r.value is not None), None)
    spec = {"voltage": meter.voltage_spec, "current": meter.current_spec} if meter else {}
    return {
        "conformsTo": CONFORMS_TO,
        "version": VERSION,
        "file": path.name,
        "hash": hash_of(path),
        "header": "preferred labels" if form == "csv" else "machine names",
        "columns": [{"label": c.label, "name": c.machine} for c in columns],
        **licence_lines(licence),
        "pointOfMeasurement": "At the USB port of a power bank, behind its converter; not at the terminals of a cell. "
        "Capacities are the port's, so they are not a cell capacity; energy is what compares.",
        "signRule": "Positive current and power charge the object under test; a discharge has negative current.",
        "counters": "Only the meter's own counters that never fall are given, from 0 at the first sample.",
        "meter": {"name": run.facts.meter, "limitsOfError": {k: v for k, v in spec.items() if v} or "unknown"},
        "energy": None
        if energy is None
        else {
            "value_wh": energy.value,
            "standard_uncertainty_wh": energy.uncertainty,
            "method": f"{energy.method}, version {energy.method_version}",
        },
        "run": run_source(run),
        "programVersion": __version__,
    }
