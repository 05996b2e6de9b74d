"""Files on their way in: how many of each kind the place names, and how long an import has left."""

from __future__ import annotations

from pathlib import Path

import pytest

from importers import inspect
from store.imports.importer import FileOutcome
from tests.builders import write_export
from tui.state.import_list import ImportEntry, ImportList
from tui.state.look import Look

TABLE = "t (s),U (V),I (A)\n" + "".join(f"{n},5.0{n % 3},1.0{n % 7}\n" for n in range(40))


@pytest.fixture
def files(tmp_path: Path) -> ImportList:
    """Two files of the same size, looked at."""
    model = ImportList(Look())
    for entry in model.add([write_export(tmp_path, f"log{n}.csv", TABLE) for n in (1, 2)]):
        entry.inspection = inspect(entry.path)
    model.begin(model.entries, now_s=100.0)
    return model


def reading(model: ImportList, index: int, share: float, now_s: float) -> str:
    """What the row of a file says that is read by so much."""
    entry = model.entries[index]
    entry.is_reading = True
    model.show_share(entry, share, now_s)
    return model.state_words(entry)[0]


def test_the_time_left_is_that_of_all_files_at_the_pace_so_far(files: ImportList):
    """Half of the first of two took 10 s: three halves are left, 30 s. Then the first is in after 20 s."""
    assert reading(files, 0, 0.5, 110.0) == "reading 50%, 30 s left in all"
    files.entries[0].is_reading, files.entries[0].outcome = False, FileOutcome("log1.csv", "imported")
    assert reading(files, 1, 0.75, 135.0) == "reading 75%, 5 s left in all"


def test_no_time_is_told_before_there_is_a_pace(files: ImportList):
    assert reading(files, 0, 0.5, 100.2) == "reading 50%"
    assert reading(files, 0, 0.0, 110.0) == "reading 0%"


def test_the_place_says_what_is_under_way(files: ImportList):
    assert files.summary() == "2 sure"
    reading(files, 0, 0.5, 110.0)
    assert files.summary() == "1 being read, 1 sure"
    files.add([Path("not-looked-at-yet.csv")])
    assert files.summary() == "1 being read, 1 looked at, 1 sure"


def test_one_file_alone_has_its_own_time(tmp_path: Path):
    model = ImportList(Look())
    entry: ImportEntry = model.add([write_export(tmp_path, "log.csv", TABLE)])[0]
    entry.inspection = inspect(entry.path)
    model.begin([entry], now_s=0.0)
    assert reading(model, 0, 0.25, 20.0) == "reading 25%, 1 min left"
