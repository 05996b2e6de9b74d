"""Benches of equal devices for comparisons: one truth, meters inside their accuracy, repeats that scatter.

Shares no code with what judges them but the records that it hands over: errors are drawn here from the limits alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from store.judge.evidence import BenchEvidence
from store.judge.measured import RunEvidence
from store.model.results import Contribution, Result
from store.model.sheet import DeviceSheet

TRUE_WH = 50.0
MODES = ("fixed 9 V", "fixed 20 V")


@dataclass(frozen=True, slots=True)
class World:
    """How a bench of equal devices is tested."""

    name: str
    repeats: Sequence[int] = (1,)
    """Tests of each device, dealt out in turn."""
    meters: int = 1
    days: int = 1
    gain: float = 0.003
    """Limit of error of the meter's gain, as a share."""
    fixed_wh: float = 0.03
    """Limit of what an offset does to the energy."""
    edge_wh: float = 0.02
    """Half a step of sampling at the load's level, each end."""
    repeatability_wh: float = 0.0
    """Standard deviation from test to test of one device."""


EQUAL = World("equal, one meter, exact repeats")
BENCH = World("repeats and single tests, two meters", (3, 1, 2, 1), meters=2, days=4, repeatability_wh=0.25)
METERS = World("a meter each, single tests", (1,), meters=99, days=3)
NOISY = World("three tests each, noisy devices", (3,), days=3, repeatability_wh=1.0)
PAIRS = World("two tests each, noisy devices", (2,), days=2, repeatability_wh=1.0)
WORLDS = (EQUAL, BENCH, METERS, NOISY, PAIRS)


def bench(world: World, count: int, rng: np.random.Generator) -> tuple[list[DeviceSheet], BenchEvidence]:
    """Devices of one truth with their runs.

    A meter's gain has a part that stays, one that a day and range have, and one of each test's own, drawn so that
    their sum stays inside the limit and correlates by 0.9 within a day and 0.5 across.
    """
    rates = {}
    sheets, runs = [], {}
    number = 0
    for index in range(count):
        device = f"PB-{index + 1:02d}"
        sheets.append(DeviceSheet(device, "power bank", rated_energy_wh=60.0))
        meter = f"M{index % world.meters}"
        own = float(rng.uniform(-1.0, 1.0)) * math.sqrt(0.1)
        tests = []
        for _ in range(world.repeats[index % len(world.repeats)]):
            number += 1
            day = f"2026-02-{1 + int(rng.integers(world.days)):02d}"
            for key in (meter, (meter, day)):
                rates.setdefault(key, float(rng.uniform(-1.0, 1.0)))
            gain = math.sqrt(0.5) * rates[meter] + math.sqrt(0.4) * rates[meter, day] + own
            error = TRUE_WH * world.gain * gain
            offset = rates.setdefault((meter, device), float(rng.uniform(-1.0, 1.0))) * world.fixed_wh
            edges = float(rng.uniform(-1.0, 1.0, 2).sum()) * world.edge_wh
            value = TRUE_WH + error + offset + edges + world.repeatability_wh * float(rng.standard_normal())
            tests.append(_run(number, meter, day, value, world))
        runs[device] = tuple(tests)
    return sheets, BenchEvidence({sheet.device: sheet for sheet in sheets}, runs)


def _run(number: int, meter: str, day: str, value: float, world: World) -> RunEvidence:
    root = math.sqrt(3.0)
    budget = (
        Contribution("gain of I", value * world.gain / root, "B", "rectangular", is_common=True),
        Contribution("offset of I", world.fixed_wh / root, "B", "rectangular"),
        Contribution("edge: load on", world.edge_wh / root, "B", "rectangular"),
        Contribution("edge: load off", world.edge_wh / root, "B", "rectangular"),
    )
    u = math.sqrt(math.fsum(part.standard_uncertainty**2 for part in budget))
    result = Result("energy_out_wh", value, "Wh", u, "energy out", 1, budget=budget)
    return RunEvidence(
        number,
        "C1",
        "fixed 20 V",
        "discharge",
        load_set="30 W",
        ambient_c=22.0,
        meter=meter,
        started=day,
        results={"energy_out_wh": result},
    )
