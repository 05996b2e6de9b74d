"""Repeats put together: the mean with what does not average out and what repeats scatter. Knows measured values only.

Sources: GUM (JCGM 100) 4.2 and G.4 for means of repeats, ISO 5725-6:1994 for a repeatability known from other tests.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from store.judge.measured import ErrorKey, Measured, flags_of, notes_of
from store.uncertainty.freedom import coverage_factor
from store.uncertainty.repeats import check_repeats, spread_limit

__all__ = ["Scatter", "pool", "pooled_scatter"]


@dataclass(frozen=True, slots=True)
class Scatter:
    """The spread of repeats, pooled over devices."""

    sd: float
    degrees: int
    level: float = 0.0
    """Mean of the values that were repeated, without their sign."""

    def of(self, value: float) -> float:
        """What one test of a device scatters whose own scatter is not known: larger in proportion for larger values."""
        return self.sd * max(1.0, abs(value) / self.level) if self.level > 0.0 else self.sd


def pooled_scatter(repeats: Sequence[Sequence[float]]) -> Scatter | None:
    """Pool the standard deviations of several series of repeats; None where nothing was repeated.

    Formula: s_r^2 = sum (n - 1) s^2 / sum (n - 1).
    """
    series = [values for values in repeats if len(values) > 1]
    degrees = sum(len(values) - 1 for values in series)
    if not degrees:
        return None
    total = math.fsum((len(values) - 1) * statistics.variance(values) for values in series)
    level = statistics.fmean(abs(statistics.fmean(values)) for values in series)
    return Scatter(math.sqrt(total / degrees), degrees, level)


def pool(values: Sequence[Measured], scatter: Scatter | None = None) -> Measured:
    """Put repeats of one test together: mean, spread and count, never the best one.

    What stays the same from test to test (gain and offset of the meter) does not average out; s / sqrt n is added to
    it as squares. Where that and Student's t give less than the budget alone, the budget stands.

    Args:
        values: n tests of one device under one condition.
        scatter: Repeatability over several devices; taken instead of the device's own, and for one that was tested
            once. Not for a device whose repeats scatter more than that explains.

    Raises:
        ValueError: no values.
    """
    if not values:
        raise ValueError("Nothing to pool.")
    n = len(values)
    spread = statistics.stdev(value.value for value in values) if n > 1 else None
    whole = _mean(values, spread)
    randoms = [value.random for value in values]
    known = [random for random in randoms if random is not None]
    if len(known) < n:
        return whole
    sd, degrees = spread, float(n - 1)
    if scatter is not None and (
        spread is None or spread <= scatter.sd * spread_limit(n - 1) or n - 1 >= scatter.degrees
    ):
        sd, degrees = scatter.of(whole.value) if spread is None else scatter.sd, float(scatter.degrees)
    if sd is None:
        return whole
    kept = math.fsum(part**2 for part in (*whole.common.values(), *whole.steady.values()))
    drawn = [math.fsum(u * u for u in known) / n**2, sd * sd / n]
    fourths = [math.fsum(value.fourth for value in values) / n**4, drawn[1] ** 2 / degrees]
    candidates = []
    for square, fourth in zip(drawn, fourths, strict=True):
        total = kept + square
        dof = total * total / fourth if fourth > 0.0 else math.inf
        candidates.append((coverage_factor(dof) * math.sqrt(total), math.sqrt(total), dof))
    _, u, dof = max(candidates)
    return replace(whole, uncertainty=u, dof=dof if math.isfinite(dof) else None)


def _mean(values: Sequence[Measured], spread: float | None) -> Measured:
    """The mean with all but its uncertainty; a single value as it is."""
    if len(values) == 1:
        return values[0]
    n = len(values)
    check = check_repeats([value.value for value in values], [value.random for value in values])
    told = check.words(values[0].unit) if check else ""
    return Measured(
        value=statistics.fmean(value.value for value in values),
        unit=values[0].unit,
        uncertainty=None,
        run_ids=tuple(dict.fromkeys(run for value in values for run in value.run_ids)),
        count=n,
        spread=spread,
        common=_together([value.common for value in values]),
        steady=_together([value.steady for value in values]),
        meters=tuple(dict.fromkeys(meter for value in values for meter in value.meters)),
        conditions=tuple(dict.fromkeys(text for value in values for text in value.conditions)),
        note=notes_of((*[value.note for value in values], told)),
        flags=flags_of(values),
    )


def _together(parts: Sequence[Mapping[ErrorKey, float]]) -> dict[ErrorKey, float]:
    """What each error does to the mean."""
    keys = sorted({key for found in parts for key in found})
    return {key: math.fsum(found.get(key, 0.0) for found in parts) / len(parts) for key in keys}
