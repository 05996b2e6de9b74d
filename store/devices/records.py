"""Finished view data of a device and of a comparison: frozen records that screens and the command line print.

Knows no catalogue and no screen. Uncertainties are standard ones (k = 1), in the figure's unit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from store.judge.course_grid import CourseGrid
from store.judge.derived.sustained import Sustained
from store.judge.differences import RankSet
from store.model.sheet import DeviceSheet
from store.uncertainty.decision import Verdict
from store.uncertainty.freedom import coverage_factor

__all__ = [
    "ComparisonPage",
    "ComparisonRow",
    "ConditionRow",
    "DevicePage",
    "Figure",
    "FlightLine",
    "LimitLine",
    "ModelLine",
    "PairLine",
    "PortLine",
    "RuntimeLine",
    "TestTable",
]


@dataclass(frozen=True, slots=True)
class Figure:
    """A number of a device, with its inputs; or its absence with the reason."""

    name: str
    label: str
    value: float | None
    unit: str
    uncertainty: float | None = None
    """Standard uncertainty; None where unknown."""
    count: int = 1
    """How many tests were averaged."""
    spread: float | None = None
    """Standard deviation of one test; None with fewer than two."""
    condition: str = ""
    """`C1, fixed 20 V, 30 W, 22 °C`."""
    run_ids: tuple[int, ...] = ()
    note: str = ""
    reason: str = ""
    """Why it is absent."""
    dof: float | None = None
    """Effective degrees of freedom of the uncertainty; None where they are many."""

    @property
    def expanded(self) -> float | None:
        """What is printed behind ±, in `unit`; None where unknown."""
        return None if self.uncertainty is None else coverage_factor(self.dof or math.inf) * self.uncertainty


@dataclass(frozen=True, slots=True)
class ConditionRow:
    """What was measured under one condition; repeats as mean, spread and count."""

    port: str
    mode: str
    load: str
    ambient_c: float | None
    count: int
    run_ids: tuple[int, ...]
    figures: tuple[Figure, ...]
    is_shared: bool = False
    """Several ports were loaded at once."""


@dataclass(frozen=True, slots=True)
class TestTable:
    """All conditions of one kind of test, with the same figures in each row."""

    __test__ = False

    kind: str
    rows: tuple[ConditionRow, ...]


@dataclass(frozen=True, slots=True)
class FlightLine:
    """How a device may travel by air."""

    rated_wh: float
    name: str
    words: str
    count: str
    edition: str
    caution: str


@dataclass(frozen=True, slots=True)
class PortLine:
    """What a port advertises, and what its rating obliges it to offer."""

    name: str
    connector: str
    direction: str
    modes: tuple[str, ...]
    top_w: float | None
    """The most that it offers [W]."""
    shortfalls: tuple[str, ...]
    """What is due by that rating and missing, a sentence each."""
    unread: tuple[str, ...] = ()
    """Offers kept as text."""


@dataclass(frozen=True, slots=True)
class RuntimeLine:
    """How long it runs a load that was asked for."""

    load_w: float
    condition: str
    figure: Figure
    """Hours; absent with the reason."""


@dataclass(frozen=True, slots=True)
class LimitLine:
    """An adapter's result held against a limit of a rule's edition."""

    standard: str
    edition: str
    measure: str
    mode: str
    limit: float
    figure: Figure
    verdict: str
    mark: str
    """How well the limit is known."""
    holds: bool
    """Whether the edition applies to the day of manufacture, or to today where none is stated."""


@dataclass(frozen=True, slots=True)
class DevicePage:
    """Everything that a device's page shows."""

    sheet: DeviceSheet
    runs: int
    first_run: str
    last_run: str
    """ISO dates, empty where not known."""
    figures: tuple[Figure, ...]
    """The headline, in the order of the page."""
    verdicts: tuple[Verdict, ...]
    course: CourseGrid
    tables: tuple[TestTable, ...]
    sustained_out: Sustained | None
    sustained_in: Sustained | None
    flight: FlightLine | None
    ports: tuple[PortLine, ...]
    runtimes: tuple[RuntimeLine, ...]
    limits: tuple[LimitLine, ...]
    same_model: tuple[str, ...]
    """Other samples of the model."""
    peers: tuple[str, ...]
    notes: tuple[str, ...]
    """Sentences that belong under the page: cautions, what is assumed, suspect runs."""


@dataclass(frozen=True, slots=True)
class ComparisonRow:
    """One quantity over all devices."""

    name: str
    label: str
    unit: str
    better: str
    """`larger`, `smaller`, or empty where neither is better."""
    figures: tuple[Figure, ...]
    """One per device, in the page's order."""
    best: tuple[int, ...] = ()
    """Indices of the best and of all that do not differ significantly from it; empty where no difference is shown."""
    worst: tuple[int, ...] = ()
    ranks: tuple[RankSet | None, ...] = ()
    """One per device; None where it has no figure, all empty where like is not set against like."""
    finding: str = ""
    """`PB-05 more than all others`, `no difference shown` ..."""
    unlike: tuple[str, ...] = ()
    """What differs between the tests, a sentence each; then nothing is marked."""
    repeats: str = ""
    """Whose repeats tell what a test scatters, or that nobody's do; empty where each was repeated."""


@dataclass(frozen=True, slots=True)
class ModelLine:
    """Several samples of one model put together: mean, spread and count, not the best one."""

    model: str
    devices: tuple[str, ...]
    name: str
    label: str
    mean: float
    unit: str
    spread: float
    count: int


@dataclass(frozen=True, slots=True)
class PairLine:
    """Two devices set against each other by one quantity."""

    first: str
    second: str
    difference: float
    expanded: float | None
    """The smallest significant difference."""
    en: float | None
    chance_larger: float | None
    is_told_apart: bool
    condition: str = ""
    """Under what the two were set against each other; empty where the sheet answers."""


@dataclass(frozen=True, slots=True)
class ComparisonPage:
    """Everything that a comparison shows."""

    devices: tuple[DeviceSheet, ...]
    by: str
    """The quantity that orders the devices; empty for the order as asked."""
    rows: tuple[ComparisonRow, ...]
    pairs: tuple[PairLine, ...]
    """By `by`, or by the first row that can be compared."""
    pairs_by: str
    models: tuple[ModelLine, ...]
    verdicts: tuple[tuple[str, dict[str, int]], ...]
    """Device to how many of its claims are met, not met, too close to call, not tested, not checkable."""
    peers_added: tuple[str, ...]
    notes: tuple[str, ...]
