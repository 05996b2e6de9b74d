"""Three ratios with three names, what of the paid energy is lost, and how long it lasts at another load.

Knows measured values; knows no file, no catalogue and no screen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from store.judge.measured import ErrorKey, Measured, RunEvidence, made_of, measured, turned
from store.model.results import Flag
from store.model.spec import Better, ResultSpec, Shown

__all__ = [
    "ASSUMED_ADAPTER",
    "SPECS",
    "AdapterEfficiency",
    "EnergyPair",
    "LoadPoint",
    "Runtime",
    "energy_yield",
    "load_point",
    "pair_runs",
    "ratio",
    "runtime_at",
    "wall_to_load",
    "wasted_share",
]

AMBIENT_BAND_K = 3.0
"""Runs at ambients within this are taken as at one."""


@dataclass(frozen=True, slots=True)
class AdapterEfficiency:
    """The efficiency of the adapter that a device was recharged from, and how it is known."""

    value: float
    uncertainty: float | None
    is_measured: bool
    words: str
    """`measured on AD-01, runs 12 and 13` or `assumed, common practice`."""
    run_ids: tuple[int, ...] = ()

    def as_measured(self) -> Measured:
        """As a value to reckon with."""
        if self.is_measured:
            return Measured(self.value, "1", self.uncertainty, self.run_ids)
        steady: dict[ErrorKey, float] = {("", "adapter's efficiency, assumed"): self.uncertainty or 0.0}
        flags = frozenset({Flag.ASSUMED_INPUT})
        return Measured(self.value, "1", self.uncertainty, self.run_ids, steady=steady, flags=flags)


ASSUMED_ADAPTER = AdapterEfficiency(
    0.90, 0.03 / math.sqrt(3.0), is_measured=False, words="adapter's efficiency of 0.90 assumed (0.87 to 0.93)"
)
"""Common practice, no source. Half-width 0.03 chosen by us: Level VI asks for 0.87 above 49 W, few give 0.93."""


def ratio(top: Measured, bottom: Measured) -> Measured:
    """Quotient of two measured values; what one meter shares cancels in part, by two meters nothing does.

    Formula: relative u^2 = sum over what is not shared of (u/x)^2 plus sum over shared errors of
    (c_top/top - c_bottom/bottom)^2 [GUM eq. 16, for a quotient].

    Raises:
        ZeroDivisionError: the lower value is 0.
    """
    value = top.value / bottom.value
    return made_of(value, "1", ((1.0 / bottom.value, top), (-value / bottom.value, bottom)))


def energy_yield(energy_out: Measured, rated_wh: float) -> Measured:
    """Energy delivered over rated energy. Common practice, no source: 57 Wh of 72 Wh is 0.79."""
    return made_of(energy_out.value / rated_wh, "1", ((1.0 / rated_wh, energy_out),))


def wall_to_load(round_trip: Measured, adapter: AdapterEfficiency) -> Measured:
    """Round trip times the efficiency of the adapter; an assumed one is named in the note."""
    other = adapter.as_measured()
    inputs = ((other.value, round_trip), (round_trip.value, other))
    return made_of(round_trip.value * other.value, "1", inputs, note=adapter.words)


def wasted_share(through: Measured) -> Measured:
    """Share of the energy paid for that never reaches the load: 1 - wall_to_load."""
    found = made_of(1.0 - through.value, "1", ((-1.0, through),))
    return replace(found, flags=turned(through.flags))


@dataclass(frozen=True, slots=True)
class EnergyPair:
    """A discharge and the recharge that goes with it."""

    discharge: RunEvidence
    recharge: RunEvidence
    why: str


def pair_runs(runs: Sequence[RunEvidence], by_hand: Mapping[int, int] | None = None) -> tuple[EnergyPair, ...]:
    """Pair discharges with recharges of one device, for a round trip.

    A full discharge pairs with the full recharge at an ambient within 3 K that comes next after it (it puts back
    what was taken), else the last one before it. Discharges of several ports at once, and runs that are lower bounds,
    pair with nothing. Runs without a date pair by hand only.

    Args:
        runs: One device's runs.
        by_hand: Recharge by discharge, as a person paired them; these come before all rules but that both are full.
    """
    stated = by_hand or {}
    usable = [run for run in runs if run.quality == "ok"]
    recharges = [run for run in usable if run.kind == "recharge" and _is_full(run, "energy_in_wh")]
    shared = {group for group, ports in _ports_of_groups(usable).items() if len(ports) > 1}
    pairs = []
    for run in usable:
        if run.kind != "discharge" or run.group_id in shared or not _is_full(run, "energy_out_wh"):
            continue
        chosen = next((other for other in recharges if other.run_id == stated.get(run.run_id)), None)
        if chosen is not None:
            pairs.append(EnergyPair(run, chosen, "paired by hand"))
            continue
        near = [other for other in recharges if _same_ambient(run, other)]
        if near:
            found = _nearest(run, near)
            if found is not None:
                pairs.append(found)
    return tuple(pairs)


def _nearest(run: RunEvidence, near: Sequence[RunEvidence]) -> EnergyPair | None:
    dated = [other for other in near if run.started and other.started]
    after = sorted((other for other in dated if other.started > run.started), key=lambda other: other.started)
    if after:
        return EnergyPair(run, after[0], "the next recharge after it")
    before = sorted((other for other in dated if other.started < run.started), key=lambda other: other.started)
    if before:
        return EnergyPair(run, before[-1], "the last recharge before it")
    return None


def _is_full(run: RunEvidence, name: str) -> bool:
    result = run.results.get(name)
    return result is not None and result.value is not None and result.value > 0 and Flag.AT_LEAST not in result.flags


def _ports_of_groups(runs: Sequence[RunEvidence]) -> dict[int, set[str | None]]:
    ports: dict[int, set[str | None]] = {}
    for run in runs:
        if run.group_id is not None and run.kind == "discharge":
            ports.setdefault(run.group_id, set()).add(run.port)
    return ports


def _same_ambient(first: RunEvidence, second: RunEvidence) -> bool:
    if first.ambient_c is None or second.ambient_c is None:
        return True
    return abs(first.ambient_c - second.ambient_c) <= AMBIENT_BAND_K


@dataclass(frozen=True, slots=True)
class LoadPoint:
    """Usable energy at one load."""

    load_w: float
    energy: Measured
    held: bool
    """Whether the load was held to the end."""


@dataclass(frozen=True, slots=True)
class Runtime:
    """How long the usable energy lasts at a load that was asked for."""

    load_w: float
    hours: Measured | None
    """[h]; None where it can't be said."""
    reason: str = ""
    """How it was reckoned, or why it can't be said."""


def runtime_at(load_w: float, points: Sequence[LoadPoint]) -> Runtime:
    """Hours at a load, from the usable energy of the loads tested nearest to it.

    Between two loads the energy is interpolated linearly; what the straight line may miss is taken as rectangular
    with the distance to the nearer of the two energies as half-width (chosen by us: it is 0 at a tested load). Under
    the lightest load its energy is used, with the distance to the straight line's continuation. Never past the
    largest load that held.

    Args:
        load_w: Load asked for [W], above 0.
        points: Tests at one port, mode and ambient, any order; repeats already put together.

    Raises:
        ValueError: the load is not above 0.
    """
    if not load_w > 0.0:
        raise ValueError(f"A load of {load_w:g} W has no runtime. Ask for more than 0 W.")
    held = sorted((point for point in points if point.held), key=lambda point: point.load_w)
    if not held:
        return Runtime(load_w, None, "No tested load was held to the end.")
    if load_w > held[-1].load_w * (1 + 1e-9):
        return Runtime(
            load_w, None, f"The largest load that held is {held[-1].load_w:g} W; larger loads are not estimated."
        )
    exact = next((point for point in held if math.isclose(point.load_w, load_w, rel_tol=0.005)), None)
    if exact is not None:
        return Runtime(load_w, _hours(exact.energy, load_w, 0.0), f"tested at {exact.load_w:g} W")
    if load_w < held[0].load_w:
        return _below(load_w, held)
    upper = next(index for index, point in enumerate(held) if point.load_w > load_w)
    low, high = held[upper - 1], held[upper]
    share = (load_w - low.load_w) / (high.load_w - low.load_w)
    value = (1 - share) * low.energy.value + share * high.energy.value
    energy = made_of(value, "Wh", ((1 - share, low.energy), (share, high.energy)))
    missed = min(abs(value - low.energy.value), abs(value - high.energy.value)) / math.sqrt(3.0)
    return Runtime(load_w, _hours(energy, load_w, missed), f"between tests at {low.load_w:g} W and {high.load_w:g} W")


def _below(load_w: float, held: Sequence[LoadPoint]) -> Runtime:
    lightest = held[0]
    note = f"under the lightest load tested, {lightest.load_w:g} W: its energy is used"
    if len(held) == 1:
        return Runtime(load_w, _hours(lightest.energy, load_w, 0.0), f"{note}; how it changes with load is not known")
    slope = (held[1].energy.value - lightest.energy.value) / (held[1].load_w - lightest.load_w)
    missed = abs(slope * (lightest.load_w - load_w)) / math.sqrt(3.0)
    return Runtime(load_w, _hours(lightest.energy, load_w, missed), note)


def _hours(energy: Measured, load_w: float, missed_wh: float) -> Measured:
    return made_of(energy.value / load_w, "h", ((1.0 / load_w, energy), (1.0 / load_w, Measured(0.0, "Wh", missed_wh))))


def load_point(run: RunEvidence, load_w: float) -> LoadPoint | None:
    """A discharge as a point: its energy, and whether it held its load; None where it has no energy."""
    energy = measured(run, "energy_out_wh")
    return None if energy is None else LoadPoint(load_w, energy, run.value("first_cutback_s") is None)


_TO_GET_IT = "Recharge it, then discharge it, at one ambient."

ROUND_TRIP = ResultSpec(
    "round_trip",
    "round-trip efficiency",
    "1",
    short="round trip",
    shown=Shown.SHARE,
    kinds=("discharge",),
    better=Better.LARGER,
    on_page={"discharge": 60},
    compared_for={"power bank": 30},
    to_get_it=_TO_GET_IT,
    is_of_device=True,
)
WALL_TO_LOAD = ResultSpec(
    "wall_to_load",
    "mains-to-load efficiency",
    "1",
    short="mains to load",
    shown=Shown.SHARE,
    kinds=("discharge",),
    better=Better.LARGER,
    on_page={"discharge": 70},
    to_get_it=_TO_GET_IT,
    is_of_device=True,
)
WASTED_SHARE = ResultSpec(
    "wasted_share",
    "share of mains energy lost",
    "1",
    short="mains energy lost",
    shown=Shown.SHARE,
    kinds=("discharge",),
    to_get_it=_TO_GET_IT,
    is_of_device=True,
)
SPECS = (
    ROUND_TRIP,
    WALL_TO_LOAD,
    WASTED_SHARE,
    ResultSpec("runtime_h", "runtime", "h", shown=Shown.DURATION, is_of_device=True),
)
