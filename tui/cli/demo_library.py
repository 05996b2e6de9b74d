"""Makes the demo library: packs of runs, device sheets and meters, out of the data that ships.

Composes demo_parquet with the library. Knows no screen and prints nothing.
"""

from __future__ import annotations

import shutil
import tempfile
import tomllib
from collections.abc import Callable
from contextlib import ExitStack
from importlib.resources import as_file
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import demo_parquet
from store import Library
from store.care.strays import place_pack
from store.devices.sheet_reader import read_sheet
from store.files.layout import Layout
from store.model.records import Calibration, Meter
from store.model.results import Correction

__all__ = ["DEMO_WHO", "DEMO_ZONE", "build_demo", "is_library"]

DEMO_WHO = "survey store"
"""Who entered the demo's facts, as amendments name it."""

DEMO_ZONE = "Europe/Lisbon"
"""The zone of the survey store's clock; fixed, so that the demo is the same everywhere."""

Progress = Callable[[int, int], None]


def is_library(path: Path) -> bool:
    """Whether a folder holds a library already."""
    return Layout(path).catalogue.exists()


def build_demo(target: Path, progress: Progress) -> None:
    """Make the demo library beside its place, then move it there whole.

    Args:
        target: Where it shall be: absent, or an empty folder.
        progress: Called with (done, total) in steps of the work.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    try:
        _fill(beside / "library", progress)
        if target.is_dir():
            target.rmdir()
        (beside / "library").rename(target)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _fill(path: Path, progress: Progress) -> None:
    library = Library.create(path, zone=DEMO_ZONE, who=DEMO_WHO)
    for entry in _meters(demo_parquet.meters()):
        library.meters.add(_meter(entry))
        for calibration in entry.get("calibration", ()):
            library.meters.add_calibration(_calibration(entry["name"], calibration))
    for sheet in _named(demo_parquet.devices(), ".toml"):
        library.devices.save(read_sheet(sheet.read_text("utf-8"), source=sheet.name).sheet)
    packs = _named(demo_parquet.traces(), ".parquet")
    with ExitStack() as stack:
        for number, pack in enumerate(packs):
            file = stack.enter_context(as_file(pack))
            place_pack(library, file, _share_of(progress, number, len(packs)))


def _share_of(progress: Progress, number: int, packs: int) -> Progress:
    """Report one pack's progress as its share of all packs, in thousandths."""

    def report(done: int, total: int) -> None:
        share = done / total if total else 0.0
        progress(round(1000 * (number + share)), 1000 * packs)

    return report


def _named(folder: Traversable, ending: str) -> list[Traversable]:
    return sorted((item for item in folder.iterdir() if item.name.endswith(ending)), key=lambda item: item.name)


def _meters(file: Traversable) -> list[dict[str, Any]]:
    entries: list[dict[str, Any]] = tomllib.loads(file.read_text("utf-8"))["meter"]
    return entries


def _meter(entry: dict[str, Any]) -> Meter:
    return Meter(
        name=entry["name"],
        voltage_spec=entry.get("voltage", ""),
        current_spec=entry.get("current", ""),
        temperature_spec=entry.get("temperature", ""),
        calibrated_on=None if entry.get("calibration") else entry.get("calibrated_on"),
        note=entry.get("note", ""),
        power_spec=entry.get("power", ""),
    )


def _calibration(meter: str, entry: dict[str, Any]) -> Calibration:
    return Calibration(
        meter=meter,
        calibrated_on=entry["on"],
        done_by=entry.get("by", ""),
        document=entry.get("document", ""),
        due_on=entry.get("due_on"),
        found=entry.get("found", ""),
        adjusted="adjusted" if entry.get("adjusted") else "",
        corrections=tuple(Correction(**correction) for correction in entry.get("correction", ())),
    )
