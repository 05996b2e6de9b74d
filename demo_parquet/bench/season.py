"""The whole season: every device's tests, carried out on its own calendar in January and February 2026."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from .adapter import wall_of
from .bank import Bank
from .course import course_of
from .courses import COURSES, Course
from .fleet import ADAPTERS, BANKS, CABLES
from .measure import Run, facts_of, measure, run_uid, stream
from .meter import integrate
from .parts import adapter_runs, cable_runs, mains_columns
from .plan import Log, Test
from .quirks import extra_tests, with_quirks
from .scenario import Record, simulate

__all__ = ["ADAPTER_MODES", "DEVICES", "carry_out", "device_runs"]

DEVICES: tuple[str, ...] = (*BANKS, *ADAPTERS, *CABLES)

ADAPTER_MODES: dict[str, list[tuple[str, float, float]]] = {
    "AD-01": [("fixed 5 V", 5.0, 3.0), ("fixed 20 V", 20.0, 3.25)],
    "AD-02": [("fixed 5 V", 5.0, 3.0), ("fixed 15 V", 15.0, 2.0)],
    "AD-03": [("fixed 5 V", 5.0, 3.0), ("fixed 20 V", 20.0, 5.0)],
    "AD-04": [("fixed 5 V", 5.0, 3.0), ("fixed 9 V", 9.0, 2.22)],
}

FULL_SPREAD = 0.006
"""How much less than full a charged bank may be, as a share: chargers don't end alike each time."""
AIR_SPREAD_K = 0.25
LOAD_SPREAD = 0.0006
"""Spread of the set load from test to test, as a share."""

OPENS, LATEST = 7.6, 16.5
"""Hours of the day (UTC) at which tests begin, and after which none is begun."""


def device_runs(device: str) -> list[Run]:
    """All runs of one device, independent of the others."""
    if device in ADAPTERS:
        began = datetime(2026, 2, 16 + list(ADAPTERS).index(device), 8, 5, tzinfo=UTC)
        return adapter_runs(ADAPTERS[device], ADAPTER_MODES[device], began)
    if device in CABLES:
        began = datetime(2026, 2, 24, 9 + 2 * list(CABLES).index(device), 10, tzinfo=UTC)
        return cable_runs(CABLES[device], began)
    course = next(c for c in COURSES if c.device == device)
    return [run for runs in _bank_runs(course) for run in runs]


def _bank_runs(course: Course) -> Iterator[list[Run]]:
    """One list of runs per test of a power bank."""
    number = int(course.device[-2:])
    clock = datetime(2026, 1, 12, tzinfo=UTC) + timedelta(days=2 * (number - 1), hours=OPENS, minutes=7 * number)
    soc = 1.0
    tests = course_of(course)
    for test in with_quirks(course.device, tests + extra_tests(course, tests)):
        clock = _next_slot(clock + timedelta(seconds=test.rest_s), test, number)
        bank, record = carry_out(course.device, test, soc)
        soc = min(bank.soc, 1.0)
        walls = [log for log in test.logs if log.source == "wall"]
        seen = replace(test, logs=tuple(log for log in test.logs if log.source != "wall"))
        runs = measure(course.device, seen, record, clock, f"{course.device}/{test.key}")
        yield runs + [_wall_run(course.device, test, log, record, clock) for log in walls]
        clock += timedelta(seconds=float(record.t_s[-1]))


def _next_slot(clock: datetime, test: Test, number: int) -> datetime:
    """When a test can begin: by day, not on Sundays; a full charge before it takes its time."""
    if test.soc is not None and test.soc >= 0.9:
        clock += timedelta(minutes=35)
    if clock.hour + clock.minute / 60.0 > LATEST:
        clock = clock.replace(hour=0, minute=0, second=0) + timedelta(days=1, hours=OPENS, minutes=6 * number)
    while clock.weekday() == 6:
        clock += timedelta(days=1)
    return clock.replace(microsecond=0)


def carry_out(device: str, test: Test, soc: float) -> tuple[Bank, Record]:
    """Run a test's scenario on a fresh model of the device."""
    rng = stream(run_uid(device, test.key, "bench"))
    start = soc if test.soc is None else test.soc - (FULL_SPREAD * rng.random() if test.soc >= 1.0 else 0.0)
    ambient = replace(
        test.scenario.ambient,
        level_c=test.scenario.ambient.level_c + AIR_SPREAD_K * rng.standard_normal(),
        phase=6.28 * rng.random(),
    )
    scenario = replace(test.scenario, ambient=ambient, load_gain=1.0 + LOAD_SPREAD * rng.standard_normal())
    bank = Bank(BANKS[device], soc=start, temperature_c=ambient.at(0.0) + 0.3)
    record = simulate(bank, scenario)
    return bank, record


def _wall_run(device: str, test: Test, log: Log, record: Record, began: datetime) -> Run:
    """The mains side of the adapter that feeds a bank, from what the bank takes."""
    adapter = ADAPTERS[log.device or ""]
    amps = record.channels["in.a"]
    watts = adapter.wall(adapter.port(20.0, amps), amps)
    volts = 230.2 + 0.8 * np.sin(2 * np.pi * record.t_s / 1900.0)
    uid = run_uid(adapter.name, test.key, device)
    columns = mains_columns(wall_of(adapter, watts, record.t_s, volts), stream(uid))
    facts = facts_of(adapter.name, log, test, began) | {"group": f"{device}/{test.key}"}
    run = Run(uid, facts, columns, {}, f"{adapter.name}/{test.key}/{device}")
    run.truth["energy_wh"] = float(integrate(record.t_s, watts)[-1])
    return run
