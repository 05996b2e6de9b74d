"""Ordinary mishaps of a bench make no verdict against a device."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from importers.schema import Facts
from store import Library
from store.devices.sheet_reader import read_sheet

SHEET = """
device = "PB-50"
kind = "power bank"
[rated]
capacity_mah = 16000
cell_voltage_v = 3.85
energy_wh = 61.6
[[port]]
name = "C1"
connector = "USB-C"
direction = "both"
[[claim]]
quantity = "energy_out_wh"
bound = "at least"
value = 40
[[claim]]
quantity = "held_s"
bound = "at least"
value = 1
unit = "h"
load = "30 W"
[[claim]]
quantity = "charge_out_ah"
bound = "at least"
value = 16000
unit = "mAh"
[[claim]]
quantity = "rated_energy_wh"
bound = "at least"
value = 61.6
"""


@pytest.fixture
def library(tmp_path: Path) -> Library:
    """A meter with its accuracy and a device with four claims."""
    library = Library.open(tmp_path / "library", create=True)
    from store.model.records import Meter

    library.meters.add(Meter("M2", "0.05% + 2d(0.001)", "0.1% + 2d(0.001)"))
    library.devices.save(read_sheet(SHEET, "PB-50.toml").sheet)
    return library


def _import(library: Library, folder: Path, name: str, volts: object, amps: object, **facts: object) -> tuple[str, ...]:
    """A log of one sample a second; the warnings of its run."""
    path = folder / f"{name}.csv"
    clock = np.datetime64("2026-02-10T09:00:00") + np.arange(len(np.asarray(volts)))
    lines = [f"{t},{v:.4f},{i:.4f}" for t, v, i in zip(clock.astype(str), volts, amps, strict=True)]
    path.write_text("Time,Voltage (V),Current (A)\n" + "\n".join(lines) + "\n")
    told = {"device": "PB-50", "port": "C1", "mode": "fixed 20 V", "kind": "discharge", "load": "30 W", "meter": "M2"}
    outcome = library.imports.add([path], Facts(**{**told, **facts}))
    (file,) = outcome
    return tuple(file.runs[0]["warnings"])


def _verdicts(library: Library) -> list[str]:
    return [verdict.verdict for verdict in library.verdicts.all()]


def _load(seconds: int, amps: float, *, until: int) -> np.ndarray:
    t = np.arange(seconds)
    return np.where((t >= 5) & (t < until), amps, 0.0)


def test_a_load_taken_off_by_hand_proves_nothing(library: Library, tmp_path: Path) -> None:
    """The voltage stays, the current goes: energy and time are lower bounds, and no claim is called not met."""
    _import(library, tmp_path, "off", np.full(330, 20.0), _load(330, 1.5, until=300))
    assert _verdicts(library) == ["too close to call", "too close to call", "not checkable at the port", "as marked"]


def test_a_load_at_the_edge_of_its_band_is_too_close(library: Library, tmp_path: Path) -> None:
    """28.48 W of 30 W: the band ends at 28.5 W, and the meter can't tell on which side it lies."""
    volts = np.where(np.arange(5030) < 5000, 20.0, 0.0)
    _import(library, tmp_path, "low", volts, _load(5030, 1.424, until=5000))
    assert _verdicts(library)[1] == "too close to call"
    assert library.verdicts.all()[1].measured is None


def test_a_load_that_was_set_low_is_not_tested(library: Library, tmp_path: Path) -> None:
    """25 W where 30 W was stated: nobody measured how long 30 W is held."""
    volts = np.where(np.arange(5030) < 5000, 20.0, 0.0)
    _import(library, tmp_path, "set-low", volts, _load(5030, 1.25, until=5000))
    assert _verdicts(library)[1] == "not tested"
    assert "25 W of 30 W" in library.verdicts.all()[1].reason


def test_a_mode_that_the_trace_contradicts_judges_nothing_until_it_is_settled(library: Library, tmp_path: Path) -> None:
    """9 V under `fixed 20 V`: a warning at import, no verdict; the advice followed, the run counts."""
    volts = np.where(np.arange(5030) < 5000, 9.0, 0.0)
    warnings = _import(library, tmp_path, "nine", volts, _load(5030, 10.0 / 3, until=5000))
    assert any("fixed 20 V" in text and "9 V" in text and "joulebook edit 1 --mode" in text for text in warnings)
    assert _verdicts(library)[0] == "not tested"
    library.runs.edit([1], {"mode": "fixed 9 V"}, reason="as the trace shows")
    assert _verdicts(library)[0] == "met"


def test_a_bound_joins_no_mean_and_is_never_the_worst(library: Library, tmp_path: Path) -> None:
    """A whole test beside one whose load was taken off: the whole one alone decides."""
    _import(library, tmp_path, "off", np.full(330, 20.0), _load(330, 1.5, until=300))
    volts = np.where(np.arange(5430) < 5400, 20.0, 0.0)
    _import(library, tmp_path, "whole", volts, _load(5430, 1.5, until=5400))
    assert _verdicts(library)[:2] == ["met", "met"]
    assert library.verdicts.all()[0].run_ids == (2,)


def test_a_recharge_in_two_files_gives_no_round_trip(library: Library, tmp_path: Path) -> None:
    """More out than in is not printed; what is given instead is the reason."""
    volts = np.where(np.arange(5430) < 5400, 20.0, 0.0)
    _import(library, tmp_path, "whole", volts, _load(5430, 1.5, until=5400))
    amps = np.concatenate((np.full(600, 3.0), 3.0 * np.exp(-np.arange(1400) / 200.0)))
    amps[:3] = 0.0
    _import(library, tmp_path, "part", np.full(2000, 20.0), amps, kind="recharge", load=None)
    page = library.devices.page("PB-50")
    assert not [figure for figure in page.figures if figure.name in {"round_trip", "wall_to_load", "wasted_share"}]
