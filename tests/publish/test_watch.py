"""The folder watcher: files are taken when they have stopped growing, once, and nothing is lost by being stopped."""

import shutil
from pathlib import Path

import pytest

from importers.schema import Facts
from store import Library
from store.imports.importer import FileOutcome, Order, import_file
from store.imports.watched_folder import Watcher, watch

EXPORTS = Path(__file__).parents[2] / "demo_parquet" / "exports"


class Bench:
    """A clock and a folder that a meter writes into, step by step."""

    def __init__(self, folder, *steps):
        self.folder, self.steps, self.now_s = folder, list(steps), 0.0

    def clock(self):
        return self.now_s

    def pause(self):
        """A look later; False when nothing more happens."""
        self.now_s += 2.0
        if not self.steps:
            return False
        step = self.steps.pop(0)
        if step is not None:
            step()
        return True


def taker(outcomes=None):
    taken = []

    def take(path):
        taken.append(path.name)
        status = (outcomes or {}).get(path.name, ["imported"])
        word = status.pop(0) if len(status) > 1 else status[0]
        return FileOutcome(str(path), "refused" if word == "busy" else word, is_busy=word == "busy")

    return take, taken


def run(folder, *steps, take, settled_s=5.0, watcher=None):
    bench = Bench(folder, *steps)
    outcomes = watch(folder, take, watcher=watcher or Watcher(settled_s), now=bench.clock, pause=bench.pause)
    return list(outcomes), bench


def test_a_growing_file_is_left_alone_until_it_stops(tmp_path):
    """Looked at every 2 s, settled after 5 s without a change: not before."""
    log = tmp_path / "log.csv"

    def grow():
        with log.open("a") as file:
            file.write("1,2\n")

    take, taken = taker()
    run(tmp_path, grow, grow, grow, grow, None, take=take)
    assert taken == []
    log.unlink()
    outcomes, bench = run(tmp_path, grow, grow, None, None, None, None, take=take)
    assert taken == ["log.csv"]
    assert len(outcomes) == 1
    assert bench.now_s >= 4.0 + 5.0


def test_a_file_is_taken_once_and_again_only_when_it_changes(tmp_path):
    """A refused file is not asked for at every look."""
    log = tmp_path / "log.csv"
    log.write_text("1,2\n")
    take, taken = taker({"log.csv": ["refused"]})
    waits = [None] * 6
    run(tmp_path, *waits, lambda: log.write_text("1,2\n3,4\n"), *waits, take=take)
    assert taken == ["log.csv", "log.csv"]


def test_a_busy_library_is_tried_again(tmp_path):
    """Being busy says nothing about the file."""
    (tmp_path / "log.csv").write_text("1,2\n")
    take, taken = taker({"log.csv": ["busy", "busy", "imported"]})
    outcomes, _ = run(tmp_path, *[None] * 8, take=take)
    assert taken == ["log.csv"] * 3
    assert [o.status for o in outcomes] == ["imported"]


def test_empty_files_other_endings_and_a_folder_that_goes_away(tmp_path):
    """Nothing is taken that is no export, and a stick that is pulled ends nothing."""
    folder = tmp_path / "stick"
    folder.mkdir()
    (folder / "empty.csv").touch()
    (folder / "picture.png").write_bytes(b"x")
    take, taken = taker()

    def back():
        folder.mkdir()
        (folder / "late.csv").write_text("1,2\n")

    run(folder, None, None, lambda: shutil.rmtree(folder), None, back, *[None] * 5, take=take)
    assert taken == ["late.csv"]


def test_stopped_in_the_middle_it_goes_on_where_it_was(tmp_path):
    """Facts are given once; stopped while importing, the library is whole, and the next watch takes the rest."""
    folder = tmp_path / "logs"
    folder.mkdir()
    names = ["a-inline-seconds.csv", "b-bench-hms.csv"]
    for name in names:
        shutil.copy(EXPORTS / name, folder)
    library = Library.create(tmp_path / "library", zone="UTC")
    order = Order(Facts(device="PB-07", kind="discharge"), zone="UTC")

    def stopped(path):
        if path.name == names[1]:
            raise KeyboardInterrupt
        return import_file(library, path, order)

    with pytest.raises(KeyboardInterrupt):
        run(folder, *[None] * 5, take=stopped)
    assert library.runs.page().total == 1
    again = Library.open(library.path)
    outcomes, _ = run(folder, *[None] * 5, take=lambda path: import_file(again, path, order))
    assert [o.status for o in outcomes] == ["already", "imported"]
    assert set(again.runs.page().table.column("device").to_pylist()) == {"PB-07"}
