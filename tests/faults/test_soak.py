"""Two importers, an editor, somebody who asks and the interface, all on one library for minutes: nothing is lost.

JOULEBOOK_SOAK_S sets how long [s]; 600 unless set. A tenth of it before, a single importer has the machine nearly to
itself: how long the interface itself takes from a commit to the screen. Among the crowd, who share the machine's cores
and the catalogue's lock, the same is told apart.
"""

from __future__ import annotations

import asyncio
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path

import pytest

from store import Library
from tests.builders import make_store
from tests.faults import soak_tasks
from tests.tui.harness import app_on, settle
from tui.screens.runs import RunsScreen

pytestmark = pytest.mark.long
SOAK_S = float(os.environ.get("JOULEBOOK_SOAK_S", "600"))
LOOKED_AT = 2
CROWD = ("one", "two", "editor", "reader")


def journal(folder: Path, name: str) -> list[dict]:
    path = folder / f"{name}.jsonl"
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


async def watch(folder: Path, crowd: list[subprocess.Popen]) -> tuple[dict[int, float], int]:
    """The interface, no key pressed: when it first showed each new run, and how often the cursor was looked at."""
    library = Library.open(folder / "store", who="looker")
    app = app_on(library)
    seen: dict[int, float] = {}
    looks = 0
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        screen = app.screen
        assert isinstance(screen, RunsScreen)
        while screen.list.run_id() != LOOKED_AT:
            await pilot.press("j")
            await settle(pilot)
        while any(process.poll() is None for process in crowd):
            await asyncio.sleep(0.02)
            looks += 1
            assert screen.list.run_id() == LOOKED_AT
            assert screen.list.cursor == screen.paged_list.cursor
            now = time.time()
            for index in range(60):
                run_id = screen.list.run_id(index)
                if run_id is not None:
                    seen.setdefault(run_id, now)
        await settle(pilot)
    return seen, looks


def start(folder: Path, names: Iterable[str], seconds: float) -> dict[str, subprocess.Popen]:
    until = str(time.time() + seconds)
    command = [sys.executable, soak_tasks.__file__, str(folder)]
    return {n: subprocess.Popen([*command, n, until], stderr=subprocess.PIPE, text=True) for n in names}


async def watched(folder: Path, names: Iterable[str], seconds: float) -> tuple[dict[int, float], int]:
    """Let some work for a time while the interface looks on; they end well."""
    crowd = start(folder, names, seconds)
    try:
        seen, looks = await watch(folder, list(crowd.values()))
        ended = {name: process.communicate()[1] for name, process in crowd.items()}
    finally:
        for process in crowd.values():
            process.kill()
            process.wait()
    assert all(process.returncode == 0 for process in crowd.values()), ended
    return seen, looks


def lag(seen: dict[int, float], imported: Iterable[dict]) -> str:
    """How long after their commit runs were on screen."""
    lags = sorted(seen[entry["run_id"]] - entry["committed"] for entry in imported if entry["run_id"] in seen)
    if not lags:
        return "none seen"
    part = [lags[min(int(len(lags) * share), len(lags) - 1)] for share in (0.95, 0.99)]
    return (
        f"{len(lags)} runs, median {statistics.median(lags):.2f} s, 95 of 100 within {part[0]:.2f} s, "
        f"99 within {part[1]:.2f} s, longest {lags[-1]:.2f} s"
    )


async def test_a_crowd_on_one_library_loses_nothing(tmp_path: Path):
    base = make_store(tmp_path, 6, samples=120)
    sums = base.sql("SELECT sum(samples) AS samples, sum(energy_wh) AS wh FROM runs").table.to_pylist()[0]
    calm, _ = await watched(tmp_path, ["calm"], SOAK_S / 10)
    seen, looks = await watched(tmp_path, CROWD, SOAK_S)
    crowd_imported = [entry for name in ("one", "two") for entry in journal(tmp_path, name)]
    imported = {entry["run_id"]: entry for entry in (*crowd_imported, *journal(tmp_path, "calm"))}
    done = journal(tmp_path, "editor")
    deleted = {entry["run_id"] for entry in done if entry["what"] == "delete"}
    left = [entry for run_id, entry in imported.items() if run_id not in deleted]
    library = Library.open(tmp_path / "store")
    (found,) = library.sql.run(
        "SELECT count(*) AS runs, sum(samples) AS samples, sum(energy_wh) AS wh, "
        "(SELECT count(*) FROM samples) AS held, "
        "(SELECT count(*) FROM amendments WHERE reason = 'soak' AND field <> 'deleted') AS changes, "
        "(SELECT count(*) FROM deleted) AS deleted FROM runs"
    ).table.to_pylist()
    assert found["runs"] == 6 + len(left)
    assert found["samples"] == found["held"] == sums["samples"] + sum(entry["samples"] for entry in left)
    assert found["wh"] == pytest.approx(sums["wh"] + sum(entry["wh"] for entry in left), rel=1e-9)
    assert found["changes"] == sum(entry["changed"] for entry in done if entry["what"] == "edit")
    assert found["deleted"] == len(deleted)
    assert library.maintenance.verify() == []
    assert not list(library.layout.tmp.iterdir())
    told = {
        "runs imported": len(imported),
        "edits": len([e for e in done if e["what"] == "edit"]),
        "deleted": len(deleted),
        "packs": len([e for e in done if e["what"] == "pack"]),
        "backups": len([e for e in done if e["what"] == "backup"]),
        "questions": len(journal(tmp_path, "reader")),
        "looks at the cursor": looks,
    }
    print("\n" + ", ".join(f"{name}: {value}" for name, value in told.items()))
    print(f"from commit to screen, the machine idle: {lag(calm, journal(tmp_path, 'calm'))}")
    print(f"from commit to screen, among the crowd: {lag(seen, crowd_imported)}")
    assert calm
    assert min(told["runs imported"], told["questions"], looks) > SOAK_S / 30
