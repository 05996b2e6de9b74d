"""The normal form of a run: channels in SI units and the facts of an export.

Knows words and dtypes only: no file, no store, no screen. Every other part of the
program speaks of channels, kinds and imported runs in the terms defined here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import polars as pl

__all__ = [
    "CHANNELS",
    "CHANNEL_NAMES",
    "DIRECTIONS",
    "KINDS",
    "TRACE_COLUMNS",
    "Channel",
    "ClockReading",
    "Conversion",
    "Facts",
    "ImportSink",
    "ImportedExport",
    "ImportedRun",
    "LineAccount",
    "Problem",
    "RunSink",
    "RunStart",
    "TraceEvent",
    "trace_schema",
]


@dataclass(frozen=True, slots=True)
class Channel:
    """One measured quantity over time, in one fixed unit."""

    name: str
    """Column name, unit as suffix."""
    quantity: str
    """Kind of quantity: voltage, current, power, charge, energy, temperature ..."""
    unit: str
    """Unit as the trade prints it."""
    ucum: str
    """The same unit as a UCUM code (case-sensitive)."""
    label: str
    """What a person reads on screen."""
    is_counter: bool = False
    """True for a meter's own running total."""
    is_signed: bool = False
    """True where the sign tells the direction of energy flow."""


CHANNELS: tuple[Channel, ...] = (
    Channel("voltage_v", "voltage", "V", "V", "voltage"),
    Channel("current_a", "current", "A", "A", "current", is_signed=True),
    Channel("power_w", "power", "W", "W", "power", is_signed=True),
    Channel("charge_ah", "charge", "Ah", "A.h", "charge counter", is_counter=True),
    Channel("energy_wh", "energy", "Wh", "W.h", "energy counter", is_counter=True),
    Channel("temperature_c", "temperature", "°C", "Cel", "case temperature"),
    Channel("temperature_cell_c", "temperature", "°C", "Cel", "cell temperature"),
    Channel("temperature_plug_c", "temperature", "°C", "Cel", "plug temperature"),
    Channel("temperature_meter_c", "temperature", "°C", "Cel", "meter temperature"),
    Channel("temperature_ambient_c", "temperature", "°C", "Cel", "ambient temperature"),
    Channel("temperature_2_c", "temperature", "°C", "Cel", "second probe"),
    Channel("voltage_far_v", "voltage", "V", "V", "voltage at the cable's far end"),
    Channel("voltage_dp_v", "voltage", "V", "V", "data line D+"),
    Channel("voltage_dm_v", "voltage", "V", "V", "data line D-"),
    Channel("voltage_cc1_v", "voltage", "V", "V", "configuration line CC1"),
    Channel("voltage_cc2_v", "voltage", "V", "V", "configuration line CC2"),
    Channel("resistance_ohm", "resistance", "Ω", "Ohm", "resistance"),
    Channel("frequency_hz", "frequency", "Hz", "Hz", "mains frequency"),
    Channel("power_factor", "power factor", "1", "1", "power factor"),
    Channel("display_voltage_v", "voltage", "V", "V", "display's voltage"),
    Channel("display_current_a", "current", "A", "A", "display's current"),
    Channel("display_power_w", "power", "W", "W", "display's power"),
    Channel("display_energy_wh", "energy", "Wh", "W.h", "display's energy"),
    Channel("display_percent", "state of charge", "%", "%", "display's charge level"),
)
"""Every channel, in the order in which trace files hold them."""

CHANNEL_NAMES: tuple[str, ...] = tuple(channel.name for channel in CHANNELS)

TRACE_COLUMNS: tuple[str, ...] = ("run_id", "t_s", *CHANNEL_NAMES)
"""Columns of every trace file, in order: INT64 run_id, then DOUBLE."""

KINDS: tuple[str, ...] = (
    "discharge",
    "recharge",
    "regulation",
    "overload",
    "light-load",
    "pass-through",
    "heat",
    "standby",
    "efficiency",
    "cable",
    "display",
)
"""What can be done in a run."""

DIRECTIONS: tuple[str, ...] = ("out", "in")
"""Which way energy flows at the port."""


def trace_schema() -> pl.Schema:
    """Polars schema of a trace: run_id Int64, t_s [s] and every channel Float64."""
    import polars as pl  # late: lists of runs speak of channels and need no frames

    return pl.Schema({name: pl.Int64() if name == "run_id" else pl.Float64() for name in TRACE_COLUMNS})


@dataclass(frozen=True, slots=True)
class Problem:
    """A finding in an export: what, where and what to do. A value, never raised itself."""

    code: str
    """Short stable word, e.g. `not-a-number`, `short-row`, `clock-reset`, `no-time`."""
    severity: str
    """`error` (the file can't be imported so), `question` (needs an answer) or `warning`."""
    message: str
    """One sentence: what happened and where, then what to do."""
    file: str = ""
    line: int | None = None
    """1-based physical line in the file."""
    column: str | None = None
    """Column name as in the file."""
    raw: str | None = None
    """The text that was found there."""
    count: int = 1
    """How many cells or lines this stands for."""


@dataclass(frozen=True, slots=True)
class Conversion:
    """How one column of the file became one channel."""

    column: str
    """Name as in the file (may hold any text)."""
    channel: str | None
    """Channel name, `t_s`, or None where the column was not used."""
    unit: str
    """Unit as understood in the file."""
    factor: float
    """Value in channel unit = factor x value in file + offset."""
    offset: float = 0.0
    """Only temperatures in °F or K have one."""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ClockReading:
    """How the file's clock became t_s and started_at."""

    source: str
    """`elapsed`, `wall clock`, `unix`, `serial day`, `sample number`, ..."""
    columns: tuple[str, ...] = ()
    unit: str = ""
    zone: str | None = None
    """Zone by which a local time was read; None where the file gave an offset or no date."""
    note: str = ""
    """One sentence about what was assumed, empty where nothing was."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What the tester states about a file's runs; None is 'not stated'."""

    device: str | None = None
    port: str | None = None
    mode: str | None = None
    kind: str | None = None
    load: str | None = None
    """Set load as typed: `30 W`, `2 A`, `5 ohm`."""
    ambient_c: float | None = None
    meter: str | None = None
    started: datetime | None = None
    note: str | None = None
    measured_at: str | None = None
    """Where voltage was taken: `port` or `cable end`."""
    cable_mohm: float | None = None
    """Loop resistance of the cable between port and meter, milliohm."""


@dataclass(frozen=True, slots=True)
class TraceEvent:
    """A moment or span that the importer settled: gap, clock reset, counter restart ..."""

    kind: str
    from_s: float
    to_s: float
    value: float | None = None
    unit: str = ""
    detail: str = ""


@dataclass(frozen=True, slots=True)
class RunStart:
    """What is known of a run before its samples are read."""

    part: str
    """Names the run within its file, stable from import to import: `1`, `C1`, `2/AC` ..."""
    port: str | None
    channels: tuple[str, ...]
    """Channels that hold values; the others are NULL throughout."""
    direction: str | None
    """`out`, `in` or None where the file does not tell (then the kind decides)."""
    stated: Facts = field(default_factory=Facts)
    """What the file itself says (preamble); the tester's own statement goes before it."""


class RunSink(Protocol):
    """Takes a run's samples, in order of time."""

    def write(self, samples: pl.DataFrame) -> None:
        """Take the next samples: `t_s` from the run's first sample [s], then the run's channels.

        Float64, NULL (never NaN) where absent; a channel that is left out is NULL throughout.
        """


class ImportSink(Protocol):
    """Where an importer puts what it reads, run by run."""

    def open_run(self, start: RunStart) -> RunSink:
        """Begin a run. Several may be open at once."""


@dataclass(frozen=True, slots=True)
class ImportedRun:
    """What is known of a run after its last sample."""

    start: RunStart
    samples: int
    started_at: datetime | None
    """UTC, or None where neither file nor tester gave a date."""
    clock: ClockReading
    conversions: tuple[Conversion, ...]
    sign_turned: bool
    """True where signs of current and power were reversed, so that they are positive in the run's direction."""
    events: tuple[TraceEvent, ...] = ()
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LineAccount:
    """Every physical line of the file, accounted for."""

    lines: int
    samples: int
    header: int = 0
    preamble: int = 0
    blank: int = 0
    totals: int = 0
    """Summary or end marks at the bottom."""
    problems: int = 0
    """Lines that hold no sample because something is wrong with them."""
    continued: int = 0
    """Lines that a quoted cell of the line before runs over."""


@dataclass(frozen=True, slots=True)
class ImportedExport:
    """The outcome of reading one file through a sink."""

    file: str
    runs: tuple[ImportedRun, ...]
    account: LineAccount
    problems: tuple[Problem, ...]
    profile: str
    """Name of the profile that fitted, or `proposed` where the importer worked it out."""
    profile_text: str
    """The mapping as TOML, so that the import can be repeated."""
