"""Recomputing in two processes gives to the bit, and in order, what one gives; stopped, it can be gone on with."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from store import Library
from store.runs.recompute import ResultChange, recompute
from tests.builders import make_store

RUNS = 11


@pytest.fixture(scope="module")
def outdated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A library whose energies were all reckoned otherwise before."""
    library = make_store(tmp_path_factory.mktemp("outdated"), runs=RUNS, samples=60)
    with library.catalogue.writer() as cursor:
        cursor.execute("UPDATE catalogue.result SET value = value + run_id WHERE name IN ('energy_wh', 'runtime_s')")
    return library.path


def _results(library: Library) -> list[tuple[object, ...]]:
    with library.catalogue.reader() as cursor:
        return cursor.execute(
            "SELECT * EXCLUDE (computed_at) FROM catalogue.result ORDER BY run_id, name, is_current, value"
        ).fetchall()


def _copy(library: Path, place: Path) -> Library:
    shutil.copytree(library, place)
    return Library.open(place)


def test_two_processes_give_what_one_gives(outdated: Path, tmp_path: Path) -> None:
    found: list[tuple[list[ResultChange], list[tuple[object, ...]]]] = []
    for workers in (1, 2):
        library = _copy(outdated, tmp_path / str(workers))
        told: list[int] = []
        changes = recompute(library, workers=workers, progress=lambda done, _of, told=told: told.append(done))
        assert told == sorted(told)
        assert told[-1] == RUNS
        found.append((changes, _results(library)))
        assert recompute(library, dry_run=True) == []
    assert found[0] == found[1]
    assert len(found[0][0]) == 2 * RUNS


def test_stopped_in_the_middle_it_keeps_what_is_done_and_goes_on(outdated: Path, tmp_path: Path) -> None:
    library = _copy(outdated, tmp_path / "stopped")

    def stop(done: int, _of: int) -> None:
        if done > RUNS // 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        recompute(library, workers=2, progress=stop)
    assert {finding.code for finding in library.maintenance.verify()} == {"result"}
    left = recompute(library, dry_run=True)
    assert 0 < len(left) < 2 * RUNS
    assert recompute(library, workers=1) == left
    assert recompute(library, dry_run=True) == []
