"""What a planned test is: its scenario, which meters log which ports, and the facts that go with each log."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from .scenario import Scenario

__all__ = ["Display", "Log", "Test"]


@dataclass(frozen=True)
class Display:
    """A device's own display, read off once a minute and typed beside the meter's log."""

    every_s: float = 60.0
    volts_bias: float = 0.06
    """It shows this much too much [V]."""
    watts_factor: float = 1.03
    steps: tuple[tuple[float, float], ...] = ((0.0, 0.0), (0.5, 0.5), (1.0, 1.0))
    """What is shown as charge over what is there (shares), linear between."""


@dataclass(frozen=True)
class Log:
    """One meter's log of one port during a test: becomes one run."""

    port: str | None
    meter: str
    mode: str | None
    kind: str
    direction: str
    load_set: str | None = None
    interval_s: float = 1.0
    source: str = ""
    """Which of the record's channels it sees: `C1`, `in`, or empty for probes alone."""
    probes: tuple[str, ...] = ()
    """Temperature channels with their source, as `temperature_c=case_c`."""
    starts_at_s: float = 0.0
    """The log begins this long after the test [s]."""
    stops_at_s: float = 1e9
    display: Display | None = None
    gap: tuple[float, float] | None = None
    """From and to [s]: nothing was logged in between."""
    missing: float = 0.0
    """Share of single cells that the meter left empty."""
    quality: str = "ok"
    quality_reason: str = ""
    note: str = ""
    measured_at: str = "port"
    cable_mohm: float | None = None
    device: str | None = None
    """Another device than the test's, such as the adapter that feeds a power bank."""


@dataclass(frozen=True)
class Test:
    """One test of a power bank."""

    key: str
    """Short, unique within its device; seeds its noise and its run's uid."""
    scenario: Scenario
    logs: tuple[Log, ...]
    soc: float | None = 1.0
    """State of charge at its start (0 to 1); None goes on from where the last test ended."""
    rest_s: float = 1500.0
    """Rest before it [s]."""
    is_grouped: bool = field(default=False)

    def renamed(self, key: str, **log_changes: object) -> Test:
        """The same test under another key, its first log changed."""
        first = replace(self.logs[0], **log_changes)  # type: ignore[arg-type]
        return replace(self, key=key, logs=(first, *self.logs[1:]))
