"""What a reduction takes and gives: traces as arrays, facts, results, events, budgets.

Knows NumPy and the words of importers.schema: no file, no catalogue, no screen.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol

import numpy as np
import numpy.typing as npt

from importers.schema import TraceEvent as Event
from store.model.altered import altered
from store.uncertainty.freedom import coverage_factor

__all__ = [
    "Account",
    "Ambient",
    "Array",
    "ArrayTrace",
    "Contribution",
    "Correction",
    "Counted",
    "Event",
    "Flag",
    "FoundMoment",
    "How",
    "Mask",
    "MeterAccuracy",
    "Power",
    "Reduction",
    "Result",
    "Rule",
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
    clock: str = ""
    """`50 ppm`; empty is assumed, and named as assumed."""


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

    @property
    def is_redrawn(self) -> bool:
        """Whether the next test of the same thing draws it anew; a meter's error of gain or offset stays."""
        return self.kind == "A" or self.name.startswith(_REDRAWN)


_REDRAWN = ("edge", "sampling interval", "moment of", "ramp", "next stair", "gap by counter", "resolution of")
"""Of type B by their kind, but of the phase of sampling: each log has its own."""


class Flag(StrEnum):
    """What limits a result. Code decides by these and by the account, never by a sentence."""

    AT_LEAST = "at least"
    """The true value may be larger: part of it is not in the log. It proves nothing against a device."""
    AT_MOST = "at most"
    """The true value may be smaller: it was divided by, or taken from, what is at least so much."""
    NOT_REACHED = "not reached"
    """Absent because the log ends before it."""
    NEAR_EDGE = "near edge"
    """A threshold lies within the uncertainty of what is held against it: the other side is as likely."""
    ASSUMED_INPUT = "assumed input"
    """It depends on a number that nobody measured."""
    GAP_FILLED = "gap filled"
    """The meter's counter tells what a gap in the log held."""
    GAP_OPEN = "gap open"
    """Nothing is known of a gap in the log."""
    STARTS_LATE = "starts late"
    """The log begins under load: what came before it is not counted."""
    LOG_STOPPED = "log stopped"
    """The log ends under load."""
    LOAD_TAKEN_OFF = "load taken off"
    """The load ended, and not the device's output."""
    TOO_SHORT = "too short"
    """The log is too short for its scatter to be known."""
    PROJECTED = "projected"
    """Carried on by a fit beyond the log."""


class Power(StrEnum):
    """What power is made from."""

    PRODUCT = "V x I"
    LOGGED = "logged power"


class Counted(StrEnum):
    """Which part of a run with both directions an integral counts."""

    NET = "both directions, net"
    ALONG = "along the run's direction"
    AGAINST = "against the run's direction"


class Ambient(StrEnum):
    """What a temperature rise is over."""

    LOGGED = "logged ambient"
    STATED = "stated ambient"
    FIRST_SAMPLE = "first sample"


class Rule(StrEnum):
    """Which of several rules gave a number."""

    SLOPE = "slope"
    QUOTIENT = "quotient: the current hardly changed"
    MEASURED = "measured at this current"
    SCALED = "resistance x current"
    COUNTER = "energy by the meter's counter"


class How(StrEnum):
    """How a moment was placed."""

    SAMPLE = "at a sample"
    EDGE = "half-way between two samples"
    LINE = "on the line between two samples"
    CURVE = "on a curve through samples"


@dataclass(frozen=True, slots=True)
class FoundMoment:
    """A moment that a detector found, and what it takes to measure it again."""

    at_s: float
    how: How
    of: str = ""
    """What crosses a level, in SQL: `p`, `i`, `ln(p)`."""
    from_s: float = 0.0
    to_s: float = 0.0
    """The two samples of a line; first and last sample of a curve."""
    level: float = 0.0


@dataclass(frozen=True, slots=True)
class Account:
    """What a result rests on, as data: `why` lists it, and the statement that gets the number again reads it."""

    power: Power | None = None
    counted: Counted | None = None
    ambient: Ambient | None = None
    rule: Rule | None = None
    base_rule: Rule | None = None
    """The rule of the result that this one is made from."""
    direction: str = ""
    """Which way energy flows, where a sign hangs on it."""
    probe: str = ""
    """The channel of temperature."""
    numbers: Mapping[str, float] = field(default_factory=dict)
    """By names that end in their unit: `trip_at_s`, `nominal_v`, `samples_used`."""
    spans: tuple[tuple[float, ...], ...] = ()
    """What a detector found: from and to [s], then what its kind has: middle and band of a level [A], voltages [V]."""
    moments: Mapping[str, FoundMoment] = field(default_factory=dict)
    """`begins`, `ends`: moments that lie between samples."""
    constants: Mapping[str, float] = field(default_factory=dict)
    """Constants of detection that the library sets otherwise, and that decide about this result."""
    corrections: tuple[Correction, ...] = ()
    """Of a meter's calibration, as applied."""
    told: Mapping[str, str] = field(default_factory=dict)
    """Words for people: nothing reads them."""

    def plus(self, told: Mapping[str, str] | None = None, /, **more: float) -> Account:
        """The same with more numbers and words."""
        return altered(self, numbers={**self.numbers, **more}, told={**self.told, **(told or {})})


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
    """Why it is absent, or why its uncertainty is unknown. For people."""
    warnings: tuple[str, ...] = ()
    """For people: code reads the flags."""
    budget: tuple[Contribution, ...] = ()
    account: Account = field(default_factory=Account)
    formula: str = ""
    """The formula in words."""
    flags: frozenset[Flag] = frozenset()
    dof: float | None = None
    """Effective degrees of freedom of the uncertainty; None where they are many."""

    @property
    def expanded(self) -> float | None:
        """What is printed behind the +-: 95 %, by Student's t where degrees of freedom are few; None where unknown."""
        if self.uncertainty is None:
            return None
        return coverage_factor(math.inf if self.dof is None else self.dof) * self.uncertainty


@dataclass(frozen=True, slots=True)
class Reduction:
    """All that was reduced from one run."""

    results: tuple[Result, ...]
    events: tuple[Event, ...]
