"""Sustained power: the largest tested load at one ambient that was held to the end, or to steady.

Knows results of runs as records only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from store.judge.matching import ROOM_C, match, shared_groups
from store.judge.measured import Measured, RunEvidence
from store.model.sheet import ClaimSheet
from store.model.spec import Better, ResultSpec
from store.words.facts import parse_load

__all__ = ["SPECS", "Sustained", "judge_sustained", "load_of", "sustained_power"]

KINDS = ("discharge", "heat")
HELD_SHARE = 0.90
"""A load that was never cut back counts as held to the end when it was held for this share of the runtime.

Chosen by us: a pack whose cells are nearly empty fades for its last minutes, which is its end and no cutback.
"""


@dataclass(frozen=True, slots=True)
class Sustained:
    """The figure, the tests behind it, and those that failed above it."""

    power_w: float | None
    direction: str
    port: str | None = None
    mode: str | None = None
    ambient_c: float | None = None
    run_ids: tuple[int, ...] = ()
    failed_ids: tuple[int, ...] = ()
    """Runs at a higher load that did not hold it."""
    reason: str = ""
    tested_ids: tuple[int, ...] = ()
    """Every run that was looked at."""
    failed_w: float | None = None
    """The smallest load above it that failed; None where none was tried, or none failed."""


def sustained_power(runs: Sequence[RunEvidence], direction: str = "out") -> Sustained:
    """Largest load held to the battery's end, or to steady, without thermal pause or cutback, at room temperature.

    Args:
        runs: One device's runs. Several ports at once don't count.
        direction: `out` for loads, `in` for charging power.
    """
    shared = shared_groups(runs)
    tests = [
        (load, run, _failure(run, direction))
        for run in runs
        if run.quality == "ok"
        and run.group_id not in shared
        and _at_room(run)
        and (load := load_of(run, direction)) is not None
        and (run.kind != "heat" or _is_steady(run))
        and not _is_open(run, direction)
    ]
    if not tests:
        word = "discharge" if direction == "out" else "recharge"
        return Sustained(
            None, direction, reason=f"Missing: a whole {word} run at room temperature with its load stated."
        )
    tested = tuple(run.run_id for _, run, _ in tests)
    held = [(load, run) for load, run, failure in tests if not failure]
    # A load that failed once is not held, however often it was held besides.
    broken = {(run.port, run.mode, load) for load, run, failure in tests if failure}
    held = [(load, run) for load, run in held if (run.port, run.mode, load) not in broken]
    if not held:
        load, _, failure = min((item for item in tests if item[2]), key=lambda item: item[0])
        return Sustained(None, direction, failed_ids=tested, reason=f"{load:g} W: {failure}.", tested_ids=tested)
    top, best = max(held, key=lambda item: item[0])
    rests_on = tuple(run.run_id for load, run in held if load == top and run.port == best.port)
    above = [(load, run, failure) for load, run, failure in tests if load > top and failure]
    told = "; ".join(f"{load:g} W: {failure} (run {run.run_id})" for load, run, failure in above[:3])
    return Sustained(
        top,
        direction,
        best.port,
        best.mode,
        best.ambient_c,
        rests_on,
        tuple(run.run_id for _, run, _ in above),
        told + ("." if told else ""),
        tested,
        min((load for load, _, _ in above), default=None),
    )


def judge_sustained(claim: ClaimSheet, value: float, runs: Sequence[RunEvidence]) -> Measured | str:
    """What a claim of sustained power is held against: a load that held, or the largest that did.

    A load that was never tried proves nothing: then the sentence says which run is missing.
    """
    plain = ClaimSheet(quantity="held_s", port=claim.port, mode=claim.mode, kind=claim.kind, ambient_c=claim.ambient_c)
    fitting = match(plain, runs)
    found = sustained_power(fitting.runs)
    tried = [load for run in fitting.runs if (load := load_of(run, "out")) is not None]
    if found.power_w is not None and found.power_w >= value:
        return Measured(found.power_w, "W", 0.0, found.run_ids)
    if max(tried, default=0.0) < value * 0.98:
        port = f" on {claim.port}" if claim.port else ""
        return (
            f"Missing: a discharge run{port} at {value:g} W; the largest load tried is {max(tried, default=0.0):g} W."
        )
    if found.power_w is None and not found.failed_ids:
        return (
            f"No test of {value:g} W is whole: a log that ended early, or a load that was never drawn, proves nothing."
        )
    return Measured(found.power_w or 0.0, "W", 0.0, (*found.run_ids, *found.failed_ids), note=found.reason)


def _at_room(run: RunEvidence) -> bool:
    return run.ambient_c is None or ROOM_C[0] <= run.ambient_c <= ROOM_C[1]


def load_of(run: RunEvidence, direction: str = "out") -> float | None:
    """The load of a test [W]: as set, else its plateau; None for another kind of test."""
    if direction == "in":
        return run.value("power_plateau_w") if run.kind == "recharge" else None
    if run.kind not in KINDS:
        return None
    load = parse_load(run.load_set)
    return load.value if load is not None and load.unit == "W" else run.value("power_plateau_w")


def _failure(run: RunEvidence, direction: str) -> str:
    """Why a run did not hold its load; empty where it did."""
    if direction == "in":
        pauses = run.value("pauses") or 0
        if pauses:
            return f"{pauses:.0f} pause{'s' if pauses > 1 else ''} while charging"
        return ""
    held, runtime, cutback = run.value("held_s"), run.value("runtime_s"), run.value("first_cutback_s")
    if cutback is not None:
        return f"cut back after {cutback / 60:.0f} min"
    if run.kind == "heat":
        return ""
    if held is not None and runtime is not None and held < HELD_SHARE * runtime:
        return f"held {held / 60:.0f} min of {runtime / 60:.0f} min"
    return ""


def _is_open(run: RunEvidence, direction: str) -> bool:
    """Whether a log that ended early, a gap, or a load that was never drawn leaves it open: no proof either way."""
    if direction == "in":
        return run.value("time_to_full_s") is None and not run.value("pauses")
    if run.kind == "heat" or run.value("first_cutback_s") is not None:
        return False
    held, runtime = run.value("held_s"), run.value("runtime_s")
    is_short = held is not None and runtime is not None and held < HELD_SHARE * runtime
    return held is None or run.is_lower_bound or (is_short and run.is_at_least("held_s"))


def _is_steady(run: RunEvidence) -> bool:
    """Whether a heat test came to rest; one that did not says nothing about the load."""
    return run.value("steady_since_s") is not None


SUSTAINED_POWER_W = ResultSpec(
    "sustained_power_w",
    "sustained power",
    "W",
    kinds=("discharge",),
    better=Better.LARGER,
    compared_for={"power bank": 40},
    to_get_it="Discharge it at its rated load, temperature logged.",
    is_of_device=True,
)
"""The largest set load that held: a step of the course, not a reading."""
SPECS = (SUSTAINED_POWER_W,)
