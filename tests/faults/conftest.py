"""Counts the faults that were tried, and prints how many of which kind."""

from __future__ import annotations

import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

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


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[tuple[Path, Path]]:
    """A mounted disk and its log."""
    place, log = tmp_path / "disk", tmp_path / "log"
    place.mkdir()
    command = [sys.executable, str(Path(__file__).with_name("memory_disk.py")), str(place), str(log)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 20
    while not place.is_mount():
        if process.poll() is not None or time.monotonic() > deadline:
            process.kill()
            pytest.skip("a file system can't be mounted here")
        time.sleep(0.02)
    yield place, log
    subprocess.run(["fusermount3", "-u", "-z", str(place)], check=False)
    process.wait(20)
