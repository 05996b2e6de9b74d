"""How often value +- expanded holds the truth, and how wide the +- is beside the spread of the values themselves.

Source of the comparison: JCGM 101:2008, clause 8 (an analytic interval is held against a Monte Carlo of the whole).
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from store.methods import reduce_run
from store.model.results import ArrayTrace, MeterAccuracy, Result, RunContext

Columns = Mapping[str, np.ndarray]
Found = Mapping[str, Result]


@dataclass(frozen=True)
class World:
    """A truth, and logs of it."""

    truth: Mapping[str, float]
    log: Callable[[np.random.Generator], Columns]
    facts: Mapping[str, Any] = field(default_factory=dict)
    reduce: Callable[[np.random.Generator], Found] | None = None
    """For results that need two logs: makes both and reduces them."""


@dataclass
class Tally:
    """What was seen of one result."""

    name: str
    held: int = 0
    drawn: int = 0
    absent: int = 0
    worst: float = 0.0
    """Largest |error| over the standard uncertainty."""
    widths: list[float] = field(default_factory=list)
    """Per truth: median half-width over the half-width of 95 % of the values."""

    @property
    def share(self) -> float:
        return self.held / self.drawn if self.drawn else float("nan")

    @property
    def width(self) -> float:
        return float(np.median(self.widths)) if self.widths else float("nan")

    def line(self) -> str:
        return (
            f"{self.name:<34}{self.held:>5} of {self.drawn:<4} absent {self.absent:<4} worst {self.worst:8.2f} u   "
            f"width / Monte Carlo {self.width:5.2f}"
        )


def half_width(result: Result) -> float | None:
    """What is printed behind the +-."""
    if result.uncertainty is None:
        return None
    expanded: float | None = getattr(result, "expanded", None)
    return expanded if expanded is not None else 2.0 * result.uncertainty


def context(spec: Any, **facts: Any) -> RunContext:
    """Facts of a run with the meter's data sheet."""
    meter = MeterAccuracy("M", spec.voltage, spec.current, spec.temperature, facts.pop("power_spec", ""))
    return RunContext(meter=meter, **{"direction": "out", **facts})


def found_of(world: World, rng: np.random.Generator) -> Found:
    """One log, reduced."""
    if world.reduce is not None:
        return world.reduce(rng)
    reduction = reduce_run(ArrayTrace(world.log(rng)), context(**world.facts))
    return {result.name: result for result in reduction.results}


def tallies(
    name: str, draw: Callable[[np.random.Generator], World], *, seed: int, truths: int, logs: int, share: float = 1.0
) -> dict[str, Tally]:
    """Draw truths, log each several times, reduce, and count; `share` of the +- only, to try the count itself."""
    out: dict[str, Tally] = {}
    for k in range(truths):
        seeds = np.random.SeedSequence([seed, zlib.crc32(name.encode()), k])
        world = draw(np.random.default_rng(seeds))
        errors: dict[str, list[float]] = {}
        halves: dict[str, list[float]] = {}
        for child in seeds.spawn(logs):
            found = found_of(world, np.random.default_rng(child))
            for name_of, truth in world.truth.items():
                quantity = re.sub(r"^level_\d\d_", "level_#_", name_of)
                tally = out.setdefault(quantity, Tally(quantity))
                result = found.get(name_of)
                half = half_width(result) if result is not None and result.value is not None else None
                if result is None or result.value is None or half is None or result.uncertainty is None:
                    tally.absent += 1
                    continue
                error = float(result.value) - truth
                tally.drawn += 1
                tally.held += abs(error) <= share * half * (1.0 + 1e-9)
                tally.worst = max(tally.worst, abs(error) / max(result.uncertainty, 1e-300))
                errors.setdefault(name_of, []).append(error)
                halves.setdefault(name_of, []).append(half)
        for name_of, those in errors.items():
            quantity = re.sub(r"^level_\d\d_", "level_#_", name_of)
            spread = 1.96 * float(np.std(those, ddof=1)) if len(those) > 3 else 0.0
            if spread > 0.0:
                out[quantity].widths.append(float(np.median(halves[name_of])) / spread)
    return out


def table(found: Iterable[Tally]) -> str:
    """A line each."""
    return "\n".join(tally.line() for tally in found)
