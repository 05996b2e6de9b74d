"""Runs as evidence: what a claim or a device's result rests on, and how repeats are put together.

Knows results and facts of runs as records; knows no file, no catalogue and no screen.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from store.methods.specs import spec_of
from store.model.results import Flag, Result
from store.uncertainty.repeats import check_repeats
from store.uncertainty.student import t_quantile

__all__ = ["Measured", "RunEvidence", "covariance", "flags_of", "measured", "pool", "standard_uncertainty_of", "turned"]


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
    common: Mapping[str, float] = field(default_factory=dict)
    """Signed standard contributions that other results share, by `meter: name`."""
    meters: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    """Port, mode, load and ambient of the tests."""
    note: str = ""
    """What limits it, for people: a lower bound, an uncertainty that is unknown and why ..."""
    flags: frozenset[Flag] = frozenset()
    """What limits it, for code."""

    @property
    def independent(self) -> float | None:
        """The part of the standard uncertainty that no other result shares."""
        if self.uncertainty is None:
            return None
        return math.sqrt(max(self.uncertainty**2 - sum(part**2 for part in self.common.values()), 0.0))


def measured(run: RunEvidence, name: str) -> Measured | None:
    """A run's result as a measured value; None where the run has none."""
    result = run.results.get(name)
    if result is None or result.value is None:
        return None
    return Measured(
        value=result.value,
        unit=result.unit,
        uncertainty=result.uncertainty,
        run_ids=(run.run_id, *run.also.get(name, ())),
        common=_common(result, run.meter),
        meters=(run.meter,) if run.meter else (),
        conditions=(_condition(run, name),),
        note=_notes((*result.warnings, result.reason if result.uncertainty is None else "")),
        flags=result.flags,
    )


def _notes(texts: Iterable[str]) -> str:
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


def _common(result: Result, meter: str | None) -> Mapping[str, float]:
    """What another result of the same meter shares: the contributions marked as common."""
    if meter is None or result.value is None:
        return {}
    sign = math.copysign(1.0, result.value)
    shared: dict[str, float] = {}
    for part in result.budget:
        if part.is_common:
            key = f"{meter}: {part.name}"
            shared[key] = math.hypot(shared.get(key, 0.0), part.standard_uncertainty) * sign
    return shared


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


def standard_uncertainty_of(parts: Iterable[tuple[float, Measured]]) -> float | None:
    """Standard uncertainty of a function of several values from its partial derivatives.

    Args:
        parts: (partial derivative, value) for each input.

    Returns:
        sqrt(sum over i and j of c_i c_j u_i u_j r_ij) [GUM eq. 16], or None where one uncertainty is unknown.
    """
    inputs = list(parts)
    total = 0.0
    for slope, value in inputs:
        if value.independent is None:
            return None
        total += (slope * value.independent) ** 2
    keys = {key for _, value in inputs for key in value.common}
    for key in sorted(keys):  # one order, so that the last bits are always the same
        total += math.fsum(slope * value.common.get(key, 0.0) for slope, value in inputs) ** 2
    return math.sqrt(total)


def pool(values: Sequence[Measured]) -> Measured:
    """Put repeats together: mean, spread and count, never the best one.

    The uncertainty is the larger of what the repeats scatter, t(0.975, n - 1) s / sqrt n as an expanded one, and
    the full budget of the mean, in which what one meter shares does not average out. A spread alone shows only
    the random part.

    Raises:
        ValueError: no values.
    """
    if not values:
        raise ValueError("Nothing to put together.")
    if len(values) == 1:
        return values[0]
    n = len(values)
    mean = statistics.fmean(value.value for value in values)
    spread = statistics.stdev(value.value for value in values)
    scatter = t_quantile(0.975, n - 1) * spread / math.sqrt(n) / 2.0
    budget = standard_uncertainty_of((1.0 / n, value) for value in values)
    check = check_repeats([value.value for value in values], [value.independent for value in values])
    told = check.words(values[0].unit) if check else ""
    common = {
        key: math.fsum(value.common.get(key, 0.0) for value in values) / n
        for key in {key for value in values for key in value.common}
    }
    return Measured(
        value=mean,
        unit=values[0].unit,
        uncertainty=None if budget is None else max(budget, scatter),
        run_ids=tuple(run for value in values for run in value.run_ids),
        count=n,
        spread=spread,
        common=common,
        meters=tuple(dict.fromkeys(meter for value in values for meter in value.meters)),
        conditions=tuple(dict.fromkeys(text for value in values for text in value.conditions)),
        note=_notes((*[value.note for value in values], told)),
        flags=flags_of(values),
    )
