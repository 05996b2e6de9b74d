"""What the library hands out and takes in: frozen records that cross layers.

Knows no DuckDB, no file and no screen. Screens and the command line get these finished.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from importers.schema import ClockReading, Conversion, LineAccount
from store.model.results import Correction

__all__ = [
    "Amendment",
    "Answer",
    "Calibration",
    "DeviceRow",
    "EventRow",
    "FacetCount",
    "IngestOutcome",
    "Meter",
    "Provenance",
    "ResultRow",
    "RunFacts",
    "RunPage",
    "RunView",
    "Strip",
    "StripSet",
]


@dataclass(frozen=True, slots=True)
class RunFacts:
    """The facts of one run, as the catalogue and the trace's footer hold them."""

    run_id: int
    uid: str
    """32 hex digits; never changes."""
    device: str | None
    port: str | None
    mode: str | None
    kind: str | None
    direction: str | None
    load_set: str | None
    """As typed: `30 W`."""
    ambient_c: float | None
    started_at: datetime | None
    """UTC."""
    meter: str | None
    group_id: int | None = None
    quality: str = "ok"
    """`ok`, `suspect` or `rejected`."""
    quality_reason: str = ""
    note: str = ""
    measured_at: str | None = None
    cable_mohm: float | None = None


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where a run came from and what was done to its numbers."""

    source_file: str
    source_sha256: str
    source_bytes: int
    part: str
    imported_at: datetime
    imported_by: str
    program_version: str
    profile: str
    profile_text: str
    conversions: tuple[Conversion, ...]
    clock: ClockReading
    sign_turned: bool
    account: LineAccount
    warnings: tuple[str, ...]
    trace_sha256: str
    trace_file: str
    """Relative to the library's folder."""


@dataclass(frozen=True, slots=True)
class ResultRow:
    """One result as stored, current or superseded."""

    name: str
    value: float | None
    """None where absent; then `reason` says why."""
    unit: str
    uncertainty: float | None
    """Standard uncertainty, in `unit`; None where unknown."""
    text: str | None
    """For results that are words (`end`)."""
    method: str
    method_version: int
    from_s: float | None
    to_s: float | None
    warnings: tuple[str, ...] = ()
    reason: str = ""
    is_current: bool = True
    dof: float | None = None
    """Degrees of freedom of the uncertainty; None where they are many."""


@dataclass(frozen=True, slots=True)
class EventRow:
    """A moment or a span of a trace that matters."""

    kind: str
    from_s: float
    to_s: float
    value: float | None
    unit: str
    detail: str


@dataclass(frozen=True, slots=True)
class Amendment:
    """A change of a fact: both versions kept."""

    at: datetime
    who: str
    program_version: str
    table_name: str
    key: str
    field: str
    old_value: str | None
    new_value: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class Strip:
    """One channel in equal time buckets, for a small trace.

    All arrays have one entry per bucket; an empty bucket (a gap) is NaN in the three value arrays.
    """

    channel: str
    unit: str
    lowest: npt.NDArray[np.float64]
    mean: npt.NDArray[np.float64]
    highest: npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StripSet:
    """Strips that share one time axis of `buckets` equal spans from from_s to to_s [s]."""

    from_s: float
    to_s: float
    buckets: int
    strips: tuple[Strip, ...]

    def strip(self, channel: str) -> Strip | None:
        """The strip of a channel, or None where the run has none."""
        return next((s for s in self.strips if s.channel == channel), None)


@dataclass(frozen=True, slots=True)
class RunView:
    """Everything about one run that a page or `show` prints, but for its samples."""

    facts: RunFacts
    samples: int
    duration_s: float
    interval_s: float | None
    channels: tuple[str, ...]
    results: tuple[ResultRow, ...]
    events: tuple[EventRow, ...]
    provenance: Provenance
    amendments: tuple[Amendment, ...]
    preview: StripSet


class ArrowRows:
    """Rows that every engine takes as they are: `pl.DataFrame(rows)`, `pa.table(rows)`, `duckdb.sql("FROM rows")`.

    Source of the interface: the Arrow PyCapsule interface, https://arrow.apache.org/docs/format/CDataInterface.html
    """

    __slots__ = ()
    table: pa.Table

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        return self.table.__arrow_c_stream__(requested_schema)

    def __repr__(self) -> str:
        names = self.table.column_names
        told = ", ".join(names[:8]) + (f", ... {len(names) - 8} more" if len(names) > 8 else "")
        return f"<{type(self).__name__}: {self.table.num_rows:,} rows of {told}>"


@dataclass(frozen=True, slots=True, repr=False)
class RunPage(ArrowRows):
    """A page of the list of runs: rows of the `runs` view, as Arrow."""

    table: pa.Table
    shown: int
    """How many runs fit the filter (not only this page)."""
    total: int
    """How many runs the library holds."""


@dataclass(frozen=True, slots=True)
class FacetCount:
    """A value that occurs with the current filter, and how often."""

    value: str
    count: int


@dataclass(frozen=True, slots=True, repr=False)
class Answer(ArrowRows):
    """What a question in SQL gave."""

    table: pa.Table
    is_cut: bool
    """True where the row limit was reached; then `table` holds just the limit."""
    elapsed_s: float


@dataclass(frozen=True, slots=True)
class Meter:
    """An instrument with its accuracy."""

    name: str
    voltage_spec: str = ""
    """`0.05% + 2d(0.001)`; empty where unknown."""
    current_spec: str = ""
    temperature_spec: str = ""
    calibrated_on: date | None = None
    note: str = ""
    power_spec: str = ""
    """Of the power that it logs itself, as a mains analyser does."""
    clock_spec: str = ""
    """`50 ppm`; empty is assumed to be 0.1 %."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration of a meter, as its certificate tells."""

    meter: str
    calibrated_on: date
    done_by: str = ""
    document: str = ""
    """Number of the certificate or report."""
    due_on: date | None = None
    found: str = ""
    """As-found result, in words."""
    adjusted: str = ""
    """What was adjusted, in words; empty where nothing was."""
    corrections: tuple[Correction, ...] = ()


@dataclass(frozen=True, slots=True)
class DeviceRow:
    """A device in the list."""

    device: str
    kind: str
    maker: str
    model: str
    rated_wh: float | None
    runs: int


@dataclass(frozen=True, slots=True)
class IngestOutcome:
    """What became of one import."""

    run_ids: tuple[int, ...]
    ports: tuple[str | None, ...]
    already: bool
    """True where the same bytes were imported before; then `run_ids` are those runs."""
    details: tuple[Mapping[str, Any], ...] = field(default_factory=tuple)
    """One JSON-able mapping per run: run_id, port, channels, samples, span_s, warnings; `grown_from` and
    `samples_before` where it takes a shorter run's place."""
    is_beginning: bool = False
    """With `already`: the runs begin with the file's samples and go on."""
