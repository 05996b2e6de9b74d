"""Libraries made by real imports of invented exports, and what is counted in them before and after a fault."""

from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import numpy as np

from importers.schema import Facts
from store import Library
from store.catalogue.connection import rows
from store.files.originals import original_hash
from store.imports.importer import Order, import_file
from store.model.records import Calibration, Meter
from store.model.sheet import ClaimSheet, DeviceSheet, PortSheet


def write_log(path: Path, *, seed: int, samples: int = 60, volts: float = 9.0) -> Path:
    """An invented export: seconds, volts, amps, watts by name and unit."""
    rng = np.random.default_rng(seed)
    lines = ["Time [s],Voltage [V],Current [A],Power [W]"]
    for second in range(samples):
        u = volts + 0.01 * rng.standard_normal()
        i = (2.0 if second < samples - 5 else 0.0) + 0.001 * rng.random()
        lines.append(f"{second},{u:.4f},{i:.4f},{u * i:.5f}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def make_bench(
    folder: Path, name: str = "store", *, runs: int = 4, first_seed: int = 0, device: str = "PB-01"
) -> Library:
    """A library of real imports with a sheet, a claim, a meter, a calibration, edits, a group and a kept constant."""
    library = Library.create(folder / name, zone="UTC", who="tester")
    for number in range(runs):
        export = write_log(folder / f"{name}-log{number}.csv", seed=first_seed + number)
        facts = Facts(device=device, port="C1", mode="fixed 9 V", kind="discharge", load="18 W", meter="M1")
        outcome = import_file(library, export, Order(facts))
        assert outcome.status == "imported", outcome.reason
    claim = ClaimSheet("energy_out_wh", "at least", 0.01, "", "Wh")
    sheet = DeviceSheet(device, "power bank", rated_energy_wh=10.0, ports=(PortSheet("C1", "USB-C", "both", ()),))
    library.devices.save(sheet)
    library.devices.save(DeviceSheet(device, "power bank", rated_energy_wh=10.5, ports=sheet.ports, claims=(claim,)))
    library.meters.add(Meter("M1", voltage_spec="0.05% + 2d(0.001)", current_spec="0.1% + 2d(0.001)"))
    library.meters.add_calibration(Calibration("M1", date(2026, 1, 10)))
    if runs > 1:
        library.runs.edit([1], {"note": "warm bench"}, reason="as seen")
        library.runs.group([1, 2], how="stated", offsets_s={2: 3.0}, reason="same start")
    return library


def sums(library: Library) -> dict[str, tuple[int, str]]:
    """Samples of every run by its uid: how many, and a hash over every value."""
    with library.catalogue.reader() as cursor:
        found: list[Any] = rows(cursor, "SELECT uid, run_id FROM catalogue.run")
    told = {}
    for uid, run_id in found:
        table = library.samples.read(run_id)
        digest = hashlib.sha256()
        for column in table.column_names:
            digest.update(np.nan_to_num(table[column].to_numpy(), nan=-1e300).tobytes())
        told[uid] = (table.num_rows, digest.hexdigest())
    return told


def originals(library: Library) -> set[str]:
    """Hashes of the exports that lie whole in the library."""
    found = set()
    for path in library.layout.originals.iterdir():
        if original_hash(path) == path.name[:64]:
            found.add(path.name[:64])
    return found


_FACTS = {
    "device": "SELECT device, sheet FROM catalogue.device ORDER BY ALL",
    "claim": "SELECT device, claim, value FROM catalogue.claim ORDER BY ALL",
    "meter": "SELECT * FROM catalogue.meter ORDER BY ALL",
    "calibration": "SELECT * FROM catalogue.calibration ORDER BY ALL",
    "amendment": "SELECT table_name, key, field, old_value, new_value, chain FROM catalogue.amendment ORDER BY seq",
    "settings": "SELECT key, value FROM catalogue.meta WHERE contains(key, ':') ORDER BY ALL",
    "run": "SELECT uid, device, port, mode, kind, load_set, meter, quality, note, group_offset_s FROM catalogue.run "
    "ORDER BY ALL",
    "results": "SELECT uid, name, round(value, 9), round(r.uncertainty, 9) FROM catalogue.result r "
    "JOIN catalogue.run USING (run_id) WHERE is_current ORDER BY ALL",
    "deleted": "SELECT uid, reason FROM catalogue.tombstone ORDER BY ALL",
}


def facts(library: Library) -> dict[str, list[Any]]:
    """What is known beside the samples, by table."""
    with library.catalogue.reader() as cursor:
        return {name: rows(cursor, sql) for name, sql in _FACTS.items()}


def everything(library: Library) -> dict[str, Any]:
    """Runs, sums, originals and facts: what must not have changed."""
    return {"sums": sums(library), "originals": originals(library), **facts(library)}


def change(library: Library, *statements: str) -> None:
    """Change a catalogue as another program would, past everything that guards it."""
    engine = duckdb.connect(str(library.layout.catalogue))
    try:
        for statement in statements:
            engine.execute(statement)
    finally:
        engine.close()


def flip(path: Path, at: float = 0.4) -> None:
    """Flip one bit at a share of the file's length."""
    raw = bytearray(path.read_bytes())
    raw[int(len(raw) * at)] ^= 8
    path.write_bytes(raw)


def verify_until(path: str, ready: Any, done: Any, told: Any) -> None:
    """Look a library over again and again until it is done; tell how often, and what was found."""
    library = Library.open(path, who="who looks")
    seen: list[str] = []
    looks = 0
    while True:
        is_last = done.is_set()
        for quick in (True, False):
            seen += [f"{finding.code} {finding.subject}" for finding in library.maintenance.verify(quick=quick)]
            looks += 1
        ready.set()
        if is_last:
            break
    told.put((looks, seen))
