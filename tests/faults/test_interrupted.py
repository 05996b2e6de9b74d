"""Ctrl-C at any moment of a recomputation: exit status 130, no traceback, nothing half done, and again finishes it."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from store import Library
from tests.store.trust.libraries import change, make_bench

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows sends no signal to a group")
RUNS = 12


@pytest.fixture(scope="module")
def outdated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A library whose results are of an older method."""
    library = make_bench(tmp_path_factory.mktemp("outdated"), runs=RUNS)
    change(library, "UPDATE result SET value = value * 1.5, method_version = 0 WHERE name = 'energy_wh'")
    return library.path


def values(library: Library) -> dict[int, tuple[float, int]]:
    sql = (
        "SELECT run_id, value, method_version FROM results WHERE current AND name = 'energy_wh' AND run_id IS NOT NULL"
    )
    return {row["run_id"]: (row["value"], row["method_version"]) for row in library.sql.run(sql).table.to_pylist()}


def recompute(path: Path, stop_after_s: float | None) -> tuple[int, str, float]:
    """The command in a group of its own, as on a terminal; Ctrl-C goes to every process of it."""
    command = [sys.executable, "-m", "tui", "--library", str(path), "recompute"]
    began = time.monotonic()
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True)
    try:
        said, _ = child.communicate(timeout=stop_after_s)
    except subprocess.TimeoutExpired:
        os.killpg(child.pid, signal.SIGINT)
        said, _ = child.communicate()
    return child.returncode, said.decode(), time.monotonic() - began


@pytest.mark.parametrize("count", [1, pytest.param(60, marks=pytest.mark.long)])
def test_ctrl_c_leaves_nothing_half_done(outdated: Path, tmp_path: Path, count: int, tried):
    seed = random.SystemRandom().randrange(1 << 32)
    chosen = random.Random(seed)
    print(f"seed {seed}")
    whole = Path(shutil.copytree(outdated, tmp_path / "whole"))
    old = values(Library.open(whole))
    status, _, lasts_s = recompute(whole, None)
    assert status == 0
    new = values(Library.open(whole))
    assert set(new) == set(old)
    assert not set(new.values()) & set(old.values())
    stopped = 0
    for _ in range(count):
        place = Path(shutil.copytree(outdated, tmp_path / "cut"))
        status, said, _ = recompute(place, lasts_s * chosen.uniform(0.3, 1.0))
        assert status in {0, 130, -signal.SIGINT}, said
        assert "Traceback" not in said, said
        stopped += status != 0
        library = Library.open(place, who="tester")
        found = values(library)
        assert set(found) == set(old)
        assert all(found[run] in {old[run], new[run]} for run in found), found
        assert not list(library.layout.tmp.iterdir())
        assert recompute(place, None)[0] == 0
        assert values(library) == new
        assert library.maintenance.verify(results=True) == []
        shutil.rmtree(place)
    tried("interruptions", stopped)
