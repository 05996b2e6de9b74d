"""A disk that is full: what is asked for is refused in one sentence, and deleting makes room."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from store import DiskFault, Library
from tests.builders import add_run, make_run, make_store, write_export
from tests.faults.memory_disk import why_not
from tests.store.trust.libraries import make_bench, sums

pytestmark = [pytest.mark.power, pytest.mark.skipif(bool(why_not()), reason=why_not() or "there is FUSE")]


def fill(place: Path, log: Path, short: int = 0) -> None:
    """Leave no room; `short` bytes must go before there is any."""
    used = sum(path.stat().st_size for path in place.rglob("*") if path.is_file())
    Path(f"{log}.room").write_text(str(used - short), encoding="utf-8")
    assert shutil.disk_usage(place).free == 0


@pytest.mark.parametrize("is_packed", [False, True])
def test_deleting_makes_room_on_a_full_disk(disk: tuple[Path, Path], is_packed: bool):
    place, log = disk
    library = make_store(place, 3, samples=60_000)
    if is_packed:
        library.maintenance.pack()
    fill(place, log)
    before = sum(path.stat().st_size for path in library.path.rglob("*") if path.is_file())
    with pytest.raises(DiskFault) as refused:
        library.runs.edit([1], {"note": "x" * 50_000})
    assert "space" in str(refused.value)
    gone = [1, 2, 3] if is_packed else [1, 2]
    assert library.runs.delete(gone, reason="room") == len(gone)
    again = Library.open(library.path, who="tester")
    assert again.runs.page().total == 3 - len(gone)
    assert again.maintenance.verify() == []
    assert sum(path.stat().st_size for path in library.path.rglob("*") if path.is_file()) < before
    assert not list(library.layout.tmp.iterdir())
    add_run(again, write_export(place, "more.csv"), make_run(2000))  # there is room for a smaller one


def test_a_disk_too_full_even_for_that_keeps_what_makes_the_trace_again(disk: tuple[Path, Path]):
    """Follows what the message says: with room again, the trace is made again and nothing is missing."""
    place, log = disk
    library = make_bench(place, runs=2)
    before = sums(library)
    fill(place, log, short=1 << 20)
    with pytest.raises(DiskFault, match="verify --repair"):
        library.runs.delete([1], reason="room")
    Path(f"{log}.room").unlink()
    again = Library.open(library.path, who="tester")
    again.maintenance.verify(repair=True)
    assert again.maintenance.verify() == []
    assert sums(again) == before
    assert again.runs.delete([1], reason="room") == 1
