"""Counts the faults that were tried, and prints how many of which kind."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import pytest


@pytest.fixture
def tried(record_property) -> Callable[[str, int], None]:
    """Call with a kind of fault and how many of it were tried."""
    return lambda kind, count: record_property(f"faults: {kind}", count)


def pytest_terminal_summary(terminalreporter) -> None:
    """Add up what the tests told, of all workers."""
    totals: Counter[str] = Counter()
    for reports in terminalreporter.stats.values():
        for report in reports:
            for name, value in getattr(report, "user_properties", ()):
                if name.startswith("faults: ") and getattr(report, "when", "") == "call":
                    totals[name.removeprefix("faults: ")] += value
    if totals:
        told = ", ".join(f"{count} {kind}" for kind, count in totals.items())
        terminalreporter.write_line(f"{sum(totals.values())} faults tried: {told}")
