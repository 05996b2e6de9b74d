"""What a reduction takes and gives: traces as arrays, facts, results, events, budgets.

Knows NumPy and the words of importers.schema: no file, no catalogue, no screen.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt

from importers.schema import TraceEvent as Event

__all__ = [
    "Array",
    "ArrayTrace",
    "Contribution",
    "Correction",
    "Event",
    "Mask",
    "MeterAccuracy",
    "Reduction",
    "Result",
    "RunContext",
    "Trace",
]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


class Trace(Protocol):
    """A run's samples, read in bounded pieces."""

    @property
    def samples(self) -> int:
        """Number of samples."""

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels that hold at least one value, `t_s` not among them."""

    def chunks(self, channels: tuple[str, ...]) -> Iterator[Mapping[str, Array]]:
        """Yield consecutive pieces: `t_s` [s, from the run's first sample] and the channels asked for.

        Float64 arrays of one length per piece, NaN where the sample has no value. A run of up to
        about 2 million samples comes as one piece.
        """


@dataclass(frozen=True, slots=True)
class ArrayTrace:
    """A trace held in memory: `t_s` and channels, n values each, NaN where absent."""

    columns: Mapping[str, Array]

    @property
    def samples(self) -> int:
        """Number of samples."""
        return len(self.columns["t_s"])

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels that hold at least one value."""
        return tuple(n for n, a in self.columns.items() if n != "t_s" and not np.isnan(a).all())

    def chunks(self, channels: tuple[str, ...]) -> Iterator[Mapping[str, Array]]:
        """Yield the whole run as one piece."""
        missing = np.full(self.samples, np.nan)
        yield {name: self.columns.get(name, missing) for name in ("t_s", *channels)}


@dataclass(frozen=True, slots=True)
class MeterAccuracy:
    """A meter's limits of error per channel quantity, as printed (see uncertainty.parse_spec).

    Empty text is 'unknown': then uncertainties are unknown, not zero.
    """

    name: str = ""
    voltage: str = ""
    current: str = ""
    temperature: str = ""
    power: str = ""
    """For power that the meter itself logs, as a mains analyser does."""


@dataclass(frozen=True, slots=True)
class Correction:
    """A calibration's correction of one channel: true value = gain x reading + offset. The trace keeps the reading."""

    channel: str
    gain: float = 1.0
    offset: float = 0.0
    """In the channel's unit."""
    source: str = ""
    """Certificate and date: named beside every result that rests on it."""


@dataclass(frozen=True, slots=True)
class RunContext:
    """The facts that results of a run depend on."""

    kind: str | None
    direction: str | None
    mode: str | None = None
    load_set: str | None = None
    ambient_c: float | None = None
    port: str | None = None
    rated_energy_wh: float | None = None
    cell_voltage_v: float | None = None
    rated_current_a: float | None = None
    """What the port advertises in this mode."""
    rated_power_w: float | None = None
    measured_at: str | None = None
    cable_mohm: float | None = None
    meter: MeterAccuracy = field(default_factory=MeterAccuracy)
    corrections: tuple[Correction, ...] = ()
    """From the meter's calibration; applied to readings before anything is computed."""
    thresholds: Mapping[str, float] = field(default_factory=dict)
    """A library's own settings for the named constants of the detectors; absent = default."""


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of an uncertainty budget."""

    name: str
    """`gain of V`, `offset of I`, `time step` ..."""
    standard_uncertainty: float
    """In the result's unit."""
    kind: str
    """GUM type, `A` or `B`."""
    distribution: str
    """`rectangular`, `normal` ..."""
    detail: str = ""
    """`0.05 % of reading` ..."""
    is_common: bool = False
    """True where two results by one meter share it (gain)."""
    dof: float | None = None
    """Degrees of freedom; None for limits that are taken as known."""


@dataclass(frozen=True, slots=True)
class Result:
    """A number reduced from traces, or its absence with the reason."""

    name: str
    value: float | None
    unit: str
    uncertainty: float | None
    """Standard uncertainty (k = 1), in `unit`; None where unknown."""
    method: str
    method_version: int
    from_s: float | None = None
    to_s: float | None = None
    text: str | None = None
    """For results that are words."""
    reason: str = ""
    """Why it is absent, or why its uncertainty is unknown."""
    warnings: tuple[str, ...] = ()
    budget: tuple[Contribution, ...] = ()
    inputs: Mapping[str, float | str] = field(default_factory=dict)
    """What `why` lists: samples used, left out, counter's value, level, window ..."""
    formula: str = ""
    """The formula in words."""


@dataclass(frozen=True, slots=True)
class Reduction:
    """All that was reduced from one run."""

    results: tuple[Result, ...]
    events: tuple[Event, ...]
