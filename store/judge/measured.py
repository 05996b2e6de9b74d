"""Runs as evidence: what a claim or a device's result rests on, and values that are made from several.

Knows results and facts of runs as records; knows no file, no catalogue and no screen.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from store.methods.specs import spec_of
from store.model.results import Flag, Result
from store.uncertainty.correlation import RHO_ACROSS, RHO_WITHIN
from store.uncertainty.freedom import coverage_factor

ErrorKey = tuple[str, ...]
"""What an error belongs to: the meter, the error's name, then what narrows it: mode and day, or the input it is of."""

__all__ = ["ErrorKey", "Measured", "RunEvidence", "covariance", "flags_of", "made_of", "measured", "notes_of", "turned"]


@dataclass(frozen=True, slots=True)
class RunEvidence:
    """One run with its current results, as verdicts and device results need it."""

    run_id: int
    port: str | None
    mode: str | None
    kind: str | None
    direction: str | None = None
    load_set: str | None = None
    ambient_c: float | None = None
    meter: str | None = None
    group_id: int | None = None
    quality: str = "ok"
    """`ok`, `suspect` or `rejected`."""
    started: str = ""
    """ISO date and time, empty where not known; orders runs."""
    results: Mapping[str, Result] = field(default_factory=dict)
    """Current results by name."""
    also: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    """Other runs that a result rests on, by the result's name (a recharge, the mains side)."""
    derived: Mapping[str, Measured] = field(default_factory=dict)
    """Results made from several runs, with what their errors share, by name."""
    contradictions: tuple[str, ...] = ()
    """Facts that its trace or the sheet contradicts: until they are settled it counts in no figure and no verdict."""

    def value(self, name: str) -> float | None:
        """A result's value, or None."""
        found = self.results.get(name)
        return None if found is None else found.value

    @property
    def is_lower_bound(self) -> bool:
        """Whether its energy is only known to be at least what it says."""
        return any(self.is_at_least(name) for name in ("energy_out_wh", "energy_in_wh", "energy_wh"))

    def is_at_least(self, name: str) -> bool:
        """Whether a result is only known to be at least what it says."""
        result = self.results.get(name)
        return result is not None and Flag.AT_LEAST in result.flags

    def condition(self) -> str:
        """`C1, fixed 20 V, 30 W, 22 °C`: under what it was recorded, for sentences."""
        ambient = f"{self.ambient_c:.0f} °C" if self.ambient_c is not None else ""
        return ", ".join(part for part in (self.port, self.mode, self.load_set, ambient) if part)


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty and the runs behind it."""

    value: float
    unit: str
    uncertainty: float | None
    """Standard uncertainty (k = 1); None where unknown."""
    run_ids: tuple[int, ...] = ()
    count: int = 1
    """How many tests were averaged."""
    spread: float | None = None
    """Experimental standard deviation of one test; None with fewer than two."""
    common: Mapping[ErrorKey, float] = field(default_factory=dict)
    """Signed standard contributions that other results share, by what the error belongs to and its name."""
    steady: Mapping[ErrorKey, float] = field(default_factory=dict)
    """Standard contributions that stay the same from repeat to repeat, but cancel in nothing: offsets, linearity."""
    meters: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    """Port, mode, load and ambient of the tests."""
    note: str = ""
    """What limits it, for people: a lower bound, an uncertainty that is unknown and why ..."""
    flags: frozenset[Flag] = frozenset()
    """What limits it, for code."""
    dof: float | None = None
    """Effective degrees of freedom of the uncertainty; None where they are many."""
    reach: float = 0.0
    """How far the true value may lie above, beside the uncertainty: to the next step of load that failed."""

    @property
    def independent(self) -> float | None:
        """The part of the standard uncertainty that no other result shares."""
        if self.uncertainty is None:
            return None
        return math.sqrt(max(self.uncertainty**2 - sum(part**2 for part in self.common.values()), 0.0))

    @property
    def random(self) -> float | None:
        """The part of the standard uncertainty that each test draws anew: edges, scatter."""
        if self.independent is None:
            return None
        return math.sqrt(max(self.independent**2 - sum(part**2 for part in self.steady.values()), 0.0))

    @property
    def fourth(self) -> float:
        """Sum of u_i^4 / nu_i over what has few degrees of freedom [GUM G.4.1]; 0 where they are many."""
        return self.uncertainty**4 / self.dof if self.uncertainty and self.dof else 0.0

    @property
    def expanded(self) -> float | None:
        """Expanded uncertainty, 95 %, by Student's t where degrees of freedom are few; None where unknown."""
        if self.uncertainty is None:
            return None
        return coverage_factor(math.inf if self.dof is None else self.dof) * self.uncertainty


def measured(run: RunEvidence, name: str) -> Measured | None:
    """A run's result as a measured value; None where the run has none."""
    if name in run.derived:
        return run.derived[name]
    result = run.results.get(name)
    if result is None or result.value is None:
        return None
    common, steady = _shared(result, run)
    return Measured(
        value=result.value,
        unit=result.unit,
        uncertainty=result.uncertainty,
        run_ids=(run.run_id, *run.also.get(name, ())),
        common=common,
        steady=steady,
        meters=(run.meter,) if run.meter else (),
        conditions=(_condition(run, name),),
        note=notes_of((*result.warnings, result.reason if result.uncertainty is None else "")),
        flags=result.flags,
        dof=result.dof,
    )


def notes_of(texts: Iterable[str]) -> str:
    """Notes one after the other, each once; a semicolon where the one before is no whole sentence."""
    whole = ""
    for text in dict.fromkeys(text for text in texts if text):
        whole += f"{' ' if whole.endswith('.') else '; '}{text}" if whole else text
    return whole


def _condition(run: RunEvidence, name: str) -> str:
    """Under what it was recorded; with the kind of test where more than one gives such a figure."""
    spec = spec_of(name)
    if spec is None or len(spec.kinds) < 2:
        return run.condition()
    return ", ".join(part for part in (run.kind, run.condition()) if part)


_ACROSS, _WITHIN = math.sqrt(RHO_ACROSS), math.sqrt(RHO_WITHIN - RHO_ACROSS)
_ALONE = math.sqrt(1.0 - RHO_WITHIN)


def _shared(result: Result, run: RunEvidence) -> tuple[dict[ErrorKey, float], dict[ErrorKey, float]]:
    """What other results of the meter share, and what only repeats of this test share.

    A gain's variance is dealt out: half belongs to the meter, two fifths to the meter in one mode on one day, a tenth
    to this condition alone, so that two results correlate by 0.9 in one mode on one day and by 0.5 otherwise.
    """
    common: dict[ErrorKey, float] = {}
    steady: dict[ErrorKey, float] = {}
    if result.value is None:
        return common, steady
    meter = run.meter or ""
    sign = math.copysign(1.0, result.value)
    day = f"{run.mode or run.port}, {run.started[:10]}" if run.started else f"run {run.run_id}"
    for part in result.budget:
        u = part.standard_uncertainty
        if part.is_common and meter:
            for target, place, share in ((common, "", _ACROSS), (common, day, _WITHIN), (steady, "", _ALONE)):
                key = (meter, part.name, place)
                target[key] = math.hypot(target.get(key, 0.0), u * share) * sign
        elif not part.is_redrawn:
            key = (meter, part.name, "")
            steady[key] = math.hypot(steady.get(key, 0.0), u)
    return common, steady


def flags_of(values: Iterable[Measured]) -> frozenset[Flag]:
    """What limits a value that is made from several."""
    return frozenset(flag for value in values for flag in value.flags)


_TURNED = {Flag.AT_LEAST: Flag.AT_MOST, Flag.AT_MOST: Flag.AT_LEAST}


def turned(flags: Iterable[Flag]) -> frozenset[Flag]:
    """What limits a value that falls as the one with these flags rises."""
    return frozenset(_TURNED.get(flag, flag) for flag in flags)


def covariance(first: Measured, second: Measured) -> float:
    """Covariance of two measured values: the sum over what they share [GUM F.1.2.3]."""
    return math.fsum(part * second.common.get(key, 0.0) for key, part in first.common.items())


def made_of(value: float, unit: str, parts: Sequence[tuple[float, Measured]], *, note: str = "") -> Measured:
    """A value made from several, with its uncertainty from their partial derivatives, to first order.

    Args:
        value: As computed.
        unit: Its unit.
        parts: (partial derivative, value) for each input.
        note: Beside those of the inputs.

    Formula: sqrt(sum over i and j of c_i c_j u_i u_j r_ij) [GUM eq. 16], unknown where one uncertainty is unknown;
    degrees of freedom by Welch and Satterthwaite [GUM G.2b].
    """
    items = [item for _, item in parts]
    common: dict[ErrorKey, float] = {}
    steady: dict[ErrorKey, float] = {}
    total = fourth = 0.0
    is_known = True
    for place, (slope, item) in enumerate(parts):
        if item.independent is None:
            is_known = False
            continue
        total += (slope * item.independent) ** 2
        fourth += slope**4 * item.fourth
        for key, part in item.common.items():
            common[key] = common.get(key, 0.0) + slope * part
        for key, part in item.steady.items():
            steady[(*key, str(place)) if len(items) > 1 else key] = slope * part
    total += math.fsum(common[key] ** 2 for key in sorted(common))  # one order: the last bits are always the same
    return Measured(
        value=value,
        unit=unit,
        uncertainty=math.sqrt(total) if is_known else None,
        run_ids=tuple(dict.fromkeys(run for item in items for run in item.run_ids)),
        count=items[0].count if len(items) == 1 else 1,
        common=common,
        steady=steady,
        meters=tuple(dict.fromkeys(meter for item in items for meter in item.meters)),
        conditions=tuple(dict.fromkeys(text for item in items for text in item.conditions)),
        note=" ".join(dict.fromkeys(text for text in (*[item.note for item in items], note) if text)),
        flags=flags_of(items),
        dof=total * total / fourth if is_known and fourth > 0.0 else None,
    )
