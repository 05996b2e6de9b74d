"""A run that comes in pieces and is made short gives what the whole run gives, each result within a stated bound."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pytest

from store.methods import reduce_run
from store.model.results import Array, ArrayTrace, MeterAccuracy, Result, RunContext
from store.signal.track import BLOCK

METER = MeterAccuracy("M1", "0.05% + 2d(0.001)", "0.1% + 2d(0.001)", "1 K")
STEP_S = 0.1
N = 200_000
"""Over five hours at 0.1 s: each piece holds hundreds of blocks, quiet and restless ones."""


@dataclass(frozen=True)
class Pieces:
    """A trace in pieces of 20,000 samples, as a file too long for memory hands them out."""

    whole: ArrayTrace
    size: int = 20_000

    @property
    def samples(self) -> int:
        return self.whole.samples

    @property
    def channels(self) -> tuple[str, ...]:
        return self.whole.channels

    def chunks(self, channels: tuple[str, ...]) -> Iterator[Mapping[str, Array]]:
        (columns,) = self.whole.chunks(channels)
        for first in range(0, self.samples, self.size):
            yield {name: y[first : first + self.size] for name, y in columns.items()}


def noisy(rng: np.random.Generator, y: Array, sd: float, decimals: int) -> Array:
    return np.round(y + sd * rng.standard_normal(len(y)), decimals)


def heat(rng: np.random.Generator, t: Array, rise: float = 20.0, tau: float = 1500.0) -> Array:
    return noisy(rng, 22.0 - rise * np.expm1(-t / tau), 0.05, 1)


def discharge(rng: np.random.Generator) -> tuple[dict[str, Array], RunContext]:
    """An idle start, a cutback to 70 %, a gap, missing cells, a cut-off."""
    t = STEP_S * np.arange(N)
    shape = ((t > 31.0) & (t < 0.97 * t[-1])) * np.where((t > 9000.0) & (t < 12000.0), 0.7, 1.0)
    v = noisy(rng, 20.0 - 0.2 * t / t[-1], 0.004, 3)
    i = noisy(rng, 1.5 * shape, 0.002, 4)
    v[rng.random(N) < 1e-4] = np.nan
    keep = (t < 15000.0) | (t > 15060.0)
    columns = {"t_s": t, "voltage_v": v, "current_a": i, "temperature_c": heat(rng, t)}
    context = RunContext("discharge", "out", "fixed 20 V", "30 W", 22.0, meter=METER, rated_energy_wh=170.0)
    return {name: y[keep] for name, y in columns.items()}, context


def recharge(rng: np.random.Generator) -> tuple[dict[str, Array], RunContext]:
    """Constant power, two pauses, an exponential taper until full."""
    t = STEP_S * np.arange(N)
    shape = np.where(t < 12000.0, 1.0, np.exp(-(t - 12000.0) / 1500.0)) * (t > 20.0)
    for begin in (4000.0, 7000.0):
        shape[(t > begin) & (t < begin + 120.0)] = 0.01
    shape[shape < 0.03] = 0.0
    columns = {
        "t_s": t,
        "voltage_v": noisy(rng, np.full(N, 9.0), 0.002, 3),
        "current_a": noisy(rng, 2.0 * shape, 0.001, 4),
    }
    columns["temperature_c"] = heat(rng, t, 12.0)
    return columns, RunContext("recharge", "in", "fixed 9 V", ambient_c=22.0, meter=METER)


def interrupted(rng: np.random.Generator) -> tuple[dict[str, Array], RunContext]:
    """Five dropouts of one to twenty samples in hours of quiet."""
    t = STEP_S * np.arange(N)
    v, i = np.full(N, 5.0), np.full(N, 2.0)
    for at, width in ((1000, 1), (50_000, 2), (90_013, 5), (150_000, 20), (199_000, 3)):
        v[at : at + width], i[at : at + width] = 0.8, 0.1
    columns = {"t_s": t, "voltage_v": noisy(rng, v, 0.001, 3), "current_a": noisy(rng, i, 0.001, 3)}
    return columns, RunContext("pass-through", "out", "default 5 V", meter=METER)


def sweep(rng: np.random.Generator) -> tuple[dict[str, Array], RunContext]:
    """Nine levels, held for half an hour and more each."""
    t = STEP_S * np.arange(N)
    i = 0.3 * (1 + t // 2223.0)
    columns = {"t_s": t, "voltage_v": noisy(rng, 9.03 - 0.02 * i, 0.001, 3), "current_a": noisy(rng, i, 0.001, 3)}
    return columns, RunContext("regulation", "out", "fixed 9 V", meter=METER)


def mains(rng: np.random.Generator) -> tuple[dict[str, Array], RunContext]:
    """Power alone, with a step."""
    t = STEP_S * np.arange(N)
    columns = {"t_s": t, "power_w": noisy(rng, np.where(t < 9000.0, 40.0, 25.0), 0.02, 2)}
    return columns, RunContext("efficiency", "in", port="mains", meter=MeterAccuracy("M3", power="0.2% + 0.005 W"))


KINDS: tuple[Callable[[np.random.Generator], tuple[dict[str, Array], RunContext]], ...] = (
    discharge,
    recharge,
    interrupted,
    sweep,
    mains,
)
SUMS = ("energy", "charge", "yield", "cell_equivalent", "counter")
GRAIN_S = BLOCK * STEP_S


def bound(result: Result) -> float:
    """How far a condensed result may be from the whole run's.

    Extremes and counts are exact; integrals, means and spreads too, but where an edge of the load window lies in a
    quiet stretch and moves by a block; a moment is placed to a block; a plateau, a mean over
    settled samples, a temperature or a slope may miss samples inside a block: a fifth of its stated
    uncertainty; a fit, whose span ends a block earlier or later, twice its own.
    """
    value, u = abs(result.value or 0.0), result.uncertainty or 0.0
    edge = GRAIN_S / (STEP_S * N)
    if result.method in ("extreme", "record", "counter check"):
        return 1e-9 * value
    if result.name.startswith(SUMS):
        return 0.1 * edge * value + 1e-9
    if result.method in ("time-weighted mean", "time-weighted spread"):
        return 5.0 * edge * value + 1e-9
    if result.name in ("dropouts", "mode_changes", "pauses", "levels"):
        return 0.0
    if result.unit == "s":
        return GRAIN_S + 2.0 * u
    return (2.0 if result.method == "first-order heating" else 0.2) * u + 1e-9 * value


@pytest.mark.parametrize("make", KINDS, ids=lambda make: make.__name__)
def test_a_condensed_run_gives_what_the_whole_one_gives(make) -> None:
    """Every result and every event of the whole run, from a few hundredths of its samples."""
    columns, context = make(np.random.default_rng(11))
    whole = reduce_run(ArrayTrace(columns), context)
    short = reduce_run(Pieces(ArrayTrace(columns)), context)
    found = {result.name: result for result in short.results}
    assert [r.name for r in whole.results] == [r.name for r in short.results]
    for result in whole.results:
        other = found[result.name]
        assert (other.text or "").split(":")[0] == (result.text or "").split(":")[0], result.name
        assert (other.value is None) == (result.value is None), (result.name, other.reason, result.reason)
        if result.value is not None:
            assert other.value == pytest.approx(result.value, abs=bound(result)), result.name
    assert [e.kind for e in short.events] == [e.kind for e in whole.events]
    for one, other in zip(whole.events, short.events, strict=True):
        assert other.from_s == pytest.approx(one.from_s, abs=GRAIN_S)
        assert other.to_s == pytest.approx(one.to_s, abs=GRAIN_S)
