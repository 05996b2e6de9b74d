"""Whole commands against whole commands: each a process of its own, in turns, by the system's own accounting.

So that what a person waits for is measured, start and end included, and another's load strikes both alike.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["HEAD", "Cost", "Work", "in_turns", "joulebook", "line", "python", "run_once"]

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Cost:
    """What one run of a command took."""

    wall_s: float
    cpu_s: float
    """User and system, of the command and of every process it started and waited for."""
    peak_mb: float
    """Of the largest single process."""


@dataclass(frozen=True, slots=True)
class Work:
    """A command to be measured, and a peer that does the bare work."""

    name: str
    command: Sequence[str]
    peer_name: str = "-"
    peer: Sequence[str] = ()
    prepare: Callable[[], None] = field(default=lambda: None)
    """Called before each run of either, not measured."""
    per: int = 0
    """Things that it works on, for a rate; 0 where that says nothing."""
    goal: str = ""


def python(code: str) -> tuple[str, ...]:
    """A bare Python that runs this."""
    return (sys.executable, "-c", code)


def joulebook(library: Path | str, *words: object) -> tuple[str, ...]:
    """The program on a library."""
    return (sys.executable, "-m", "tui", "--quiet", "--library", str(library), *map(str, words))


def run_once(command: Sequence[str], home: Path) -> Cost:
    """Run a command to its end.

    Raises:
        RuntimeError: it failed; with what it said.
    """
    env = {**os.environ, "PYTHONPATH": str(ROOT), "XDG_STATE_HOME": str(home), "XDG_CACHE_HOME": str(home)}
    # modules compiled once, as where a program is installed: else each process compiles all it loads, half a second
    env["PYTHONPYCACHEPREFIX"] = str(home / "compiled")
    env.pop("PYTHONDONTWRITEBYTECODE", None)
    told = subprocess.run(
        [sys.executable, "-I", "-S", "-c", _LAUNCHER, *command], capture_output=True, env=env, cwd=home, check=True
    ).stdout
    wall, cpu, peak_kb, status, said = json.loads(told)
    if status not in {0, 1}:  # 1: something was found, as by `verify`
        raise RuntimeError(f"{' '.join(command)[:300]}: status {status}\n{said}")
    return Cost(wall, cpu, peak_kb / 1024)


_LAUNCHER = """
import json, os, sys, tempfile, time
said = tempfile.TemporaryFile()
into = [(os.POSIX_SPAWN_DUP2, said.fileno(), n) for n in (1, 2)]
start = time.perf_counter()
child = os.posix_spawn(sys.argv[1], sys.argv[1:], os.environ, file_actions=into)
_, status, used = os.wait4(child, 0)
wall = time.perf_counter() - start
said.seek(0)
told = said.read()[-2000:].decode(errors="replace")
status = os.waitstatus_to_exitcode(status)
print(json.dumps([wall, used.ru_utime + used.ru_stime, used.ru_maxrss, status, told]))
"""
# A small process between: a command's peak of memory is never told smaller than that of who started it.


def in_turns(work: Work, rounds: int, home: Path) -> tuple[list[Cost], list[Cost]]:
    """Costs of command and peer, in turns; the first of each, which warms what can be warm, is not counted."""
    ours, theirs = [], []
    for number in range(rounds + 1):
        work.prepare()
        mine = run_once(work.command, home)
        peers = run_once(work.peer, home) if work.peer else None
        if number or rounds == 0:
            ours.append(mine)
            theirs += [peers] if peers else []
    return ours, theirs


def _told(costs: Sequence[Cost], name: str) -> str:
    values = [getattr(cost, name) for cost in costs]
    return f"{statistics.median(values):.2f} ({min(values):.2f})"


def line(work: Work, ours: Sequence[Cost], theirs: Sequence[Cost]) -> str:
    """A row: medians, best in brackets; ratios are the medians of the pairs."""
    rate = f"{work.per / statistics.median(c.wall_s for c in ours):,.0f}" if work.per else ""
    cells = [work.name, _told(ours, "wall_s"), _told(ours, "cpu_s"), f"{max(c.peak_mb for c in ours):.0f}", rate]
    if theirs:
        pairs = list(zip(ours, theirs, strict=True))
        wall = statistics.median(a.wall_s / b.wall_s for a, b in pairs)
        cpu = statistics.median(a.cpu_s / b.cpu_s for a, b in pairs)
        cells += [work.peer_name, _told(theirs, "wall_s"), _told(theirs, "cpu_s"), f"{wall:.2f}", f"{cpu:.2f}"]
    else:
        cells += ["-"] * 5
    return f"| {' | '.join([*cells, work.goal])} |"


HEAD = (
    "| work | wall s | cpu s | peak MB | a second | peer | wall s | cpu s | wall ratio | cpu ratio | goal |\n"
    "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
)
