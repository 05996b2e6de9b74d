"""The power fails at any moment of any command: the library opens by itself, and no more than that command is lost.

A kill leaves what the system holds; a power cut loses what was not flushed, or part of it, or sectors of it. Seen by a
file system of memory (`tests/faults/memory_disk.py`), for only that sees the engine's own writes.
"""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest

from store import Library, StoreError
from tests.faults.memory_disk import Image, read_log, why_not
from tests.faults.scenarios import SCENARIOS, base, state

WAYS = ("flushed", "ordered", "some", "torn")
SHORT = ("edit", "import")
CUTS = 560
"""Cut points of the long run, over all commands."""


pytestmark = [pytest.mark.power, pytest.mark.skipif(bool(why_not()), reason=why_not() or "there is FUSE")]


class Cut:
    """One command on the disk, its events, and what must be true of what a cut leaves."""

    def __init__(self, name: str, place: Path, log: Path) -> None:
        self.scenario = SCENARIOS[name]
        folder = place / "work"
        folder.mkdir()
        base(folder)
        self.scenario.prepare(folder)
        self.before = state(folder) if self.scenario.opens_before and name != "migrate" else None
        self.first = len(read_log(log))
        self.scenario.act(folder)
        self.events = read_log(log)
        self.after = state(folder)

    def image(self, at: int) -> Image:
        """The disk before an event; what was there before the command began lies safe."""
        image = Image()
        for number, event in enumerate(self.events[:at]):
            if number == self.first:
                self._settle(image)
            image.do(event)
        if at <= self.first:
            self._settle(image)
        return image

    @staticmethod
    def _settle(image: Image) -> None:
        for node in list(image.waiting):
            image.do(("fsync", node))
        image.safe_names = dict(image.names)

    def check(self, folder: Path, at: int) -> bool:
        """What a cut left is opened and held against before and after; whether it had to be put right."""
        work = folder / "work"
        if self.scenario.opens_before:
            library = Library.open(work / "store", who="tester")
            found = state(work)
            if self.scenario.parts != "files":
                later = {"runs", "results", "events"} if self.scenario.parts else set()
                before = self.before if self.before is not None else found
                half = [n for n in found if found[n] not in (before.get(n), self.after.get(n)) and n not in later]
                assert not half, half
            if at == len(self.events):
                assert found == self.after, "what was acknowledged is lost"
            said = list(library.notices)
            library.maintenance.verify(repair=True)
            assert [finding.message for finding in library.maintenance.verify()] == []
        else:
            said = []
        self.scenario.act(work)
        assert state(work) == self.after
        return any("restored from the blocks" in notice for notice in said)


def try_cuts(name: str, disk: tuple[Path, Path], tmp_path: Path, count: int, seed: int) -> tuple[int, int]:
    """Cut a command at drawn events; how many cuts were tried, and after how many the catalogue was put right."""
    cut = Cut(name, *disk)
    chosen = random.Random(seed)
    span = range(cut.first, len(cut.events) + 1)
    points = [*sorted(chosen.sample(span, min(count - 1, len(span)))), len(cut.events)]
    righted = 0
    for number, at in enumerate(points):
        how = "flushed" if at == len(cut.events) else WAYS[(number + seed) % len(WAYS)]
        folder = tmp_path / "left"
        cut.image(at).export(folder, how, seed + at)
        try:
            righted += cut.check(folder, at)
        except (AssertionError, StoreError) as error:
            raise AssertionError(f"{name}, seed {seed}: cut before event {at} of {span}, {how}: {error}") from error
        shutil.rmtree(folder)
    return len(points), righted


@pytest.mark.parametrize("name", SHORT)
def test_a_cut_costs_no_more_than_the_command(name: str, disk, tmp_path: Path, tried):
    seed = random.SystemRandom().randrange(1 << 30)
    count, _ = try_cuts(name, disk, tmp_path, 8, seed)
    tried("power cuts", count)


@pytest.mark.parametrize("how", ["ordered", "some", "torn"])
def test_a_cut_in_a_checkpoint_is_put_right(how: str, disk, tmp_path: Path, tried):
    """Every event between the commit and the end of an edit: where the engine writes its lists over in place."""
    cut = Cut("edit", *disk)
    nodes = {event[2]: event[1] for event in cut.events if event[0] == "create"}
    renamed = {event[1]: event[2] for event in cut.events if event[0] == "rename"}
    mine = {node for node, path in nodes.items() if renamed.get(path, path).endswith("catalogue.duckdb")}
    points = [n for n in range(cut.first, len(cut.events)) if cut.events[n][0] == "write" and cut.events[n][1] in mine]
    assert points, "no write of the engine was seen"
    righted = 0
    for at in points:
        folder = tmp_path / "left"
        cut.image(at + 1).export(folder, how, at)
        righted += cut.check(folder, at)
        shutil.rmtree(folder)
    tried("power cuts in a checkpoint", len(points))
    print(f"{how}: {len(points)} cuts, {righted} put right")


@pytest.mark.long
@pytest.mark.parametrize("name", list(SCENARIOS))
def test_cuts_over_all_commands(name: str, disk, tmp_path: Path, tried):
    seed = random.SystemRandom().randrange(1 << 30)
    count, righted = try_cuts(name, disk, tmp_path, -(-CUTS // len(SCENARIOS)), seed)
    print(f"{name}: {count} cuts, {righted} put right, seed {seed}")
    tried("power cuts", count)
