"""`verify` beside commands that move files: what is on its way from one place to another is no finding."""

from __future__ import annotations

import multiprocessing
from pathlib import Path

import pytest

from tests.builders import make_store
from tests.store.trust.libraries import verify_until


@pytest.mark.parametrize("rounds", [4, pytest.param(60, marks=pytest.mark.long)])
def test_verify_beside_pack_and_delete_finds_nothing(tmp_path: Path, rounds: int):
    library = make_store(tmp_path, 3 * rounds, samples=150)
    context = multiprocessing.get_context("spawn")
    ready, done, told = context.Event(), context.Event(), context.Queue()
    beside = context.Process(target=verify_until, args=(str(library.path), ready, done, told))
    beside.start()
    while not ready.wait(1):
        assert beside.is_alive()
    ids = list(range(1, 3 * rounds + 1))
    for number in range(rounds):
        library.maintenance.pack()
        library.runs.delete([ids[2 * number], ids[2 * number + 1]], reason="a slip")
    done.set()
    looks, seen = told.get(timeout=120)
    beside.join()
    assert looks >= 4
    assert seen == []
    assert library.runs.page(limit=1).total == rounds
    assert library.maintenance.verify() == []
