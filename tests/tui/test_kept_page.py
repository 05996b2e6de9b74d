"""The first page kept for the next start: as true as what is in the library, or not shown at all."""

from __future__ import annotations

import json
import os
import threading
import time

import pytest

from store import Library
from store.errors import CatalogueDamaged, LibraryBusy
from store.runs.run_store import RunStore
from tests.builders import make_store
from tests.tui.harness import app_on, press, screen_text, settle
from tui.app import build_app
from tui.screens import base
from tui.screens.devices import DevicesScreen
from tui.state.kept_page import keep_page, kept_page
from tui.state.late_library import LateLibrary
from tui.state.run_columns import COLUMNS, DEFAULT_COLUMNS
from tui.state.run_list import page_of, wanted_columns

SORT = "-started_at"
EVERY = tuple(column.name for column in COLUMNS)


def settled(library: Library) -> Library:
    """The library as if it had last been changed a minute ago."""
    old = time.time() - 60
    os.utime(library.layout.catalogue, (old, old))
    return library


@pytest.fixture
def library(tmp_path) -> Library:
    return settled(make_store(tmp_path, runs=4))


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "pages"


@pytest.mark.parametrize("columns", [DEFAULT_COLUMNS, EVERY])
def test_a_kept_page_is_what_the_library_gives(library, folder, columns):
    assert keep_page(folder, library, sort=SORT, columns=columns)
    kept = kept_page(folder, library.path, sort=SORT, columns=columns)
    assert kept is not None
    assert kept.zone == library.zone
    fresh = page_of(library.runs.page(sort=SORT, columns=wanted_columns(columns)))
    assert (kept.page.shown, kept.page.total) == (fresh.shown, fresh.total) == (4, 4)
    assert [dict(row) for row in kept.page.rows] == list(fresh.rows)


def test_no_kept_page_outlives_a_commit_another_order_or_other_columns(library, folder):
    assert keep_page(folder, library, sort=SORT, columns=DEFAULT_COLUMNS)
    assert kept_page(folder, library.path, sort="device", columns=DEFAULT_COLUMNS) is None
    assert kept_page(folder, library.path, sort=SORT, columns=("device",)) is None
    assert kept_page(folder, library.path, sort=SORT, columns=DEFAULT_COLUMNS) is not None
    library.runs.edit([1], {"device": "PB-99"})
    assert kept_page(folder, library.path, sort=SORT, columns=DEFAULT_COLUMNS) is None


def test_nothing_is_kept_while_two_commits_could_look_alike(library, folder):
    """Right after a commit, and while a log lies beside the catalogue."""
    library.runs.edit([1], {"device": "PB-99"})
    assert not keep_page(folder, library, sort=SORT, columns=DEFAULT_COLUMNS)
    settled(library)
    library.layout.wal.write_bytes(b"")
    assert not keep_page(folder, library, sort=SORT, columns=DEFAULT_COLUMNS)
    library.layout.wal.unlink()
    assert keep_page(folder, library, sort=SORT, columns=DEFAULT_COLUMNS)
    library.layout.wal.write_bytes(b"")
    assert kept_page(folder, library.path, sort=SORT, columns=DEFAULT_COLUMNS) is None


def test_a_commit_while_the_page_is_read_is_noticed(library, folder, monkeypatch):
    read = RunStore.page

    def page(self, *args, **options):
        found = read(self, *args, **options)
        self.edit([1], {"device": "PB-99"})
        return found

    monkeypatch.setattr(RunStore, "page", page)
    assert not keep_page(folder, library, sort=SORT, columns=DEFAULT_COLUMNS)


@pytest.mark.parametrize("damage", ["", "{", "[]", '{"about": 1}', "null", "\xff"])
def test_a_damaged_file_is_passed_over(library, folder, damage):
    keep_page(folder, library, sort=SORT, columns=DEFAULT_COLUMNS)
    (file,) = folder.iterdir()
    file.write_text(damage, encoding="latin-1")
    assert kept_page(folder, library.path, sort=SORT, columns=DEFAULT_COLUMNS) is None


def test_a_page_of_another_version_or_place_is_passed_over(library, folder):
    keep_page(folder, library, sort=SORT, columns=DEFAULT_COLUMNS)
    (file,) = folder.iterdir()
    whole = json.loads(file.read_text(encoding="utf-8"))
    for index in (0, 1):
        other = json.loads(json.dumps(whole))
        other["about"][index] = "another"
        file.write_text(json.dumps(other), encoding="utf-8")
        assert kept_page(folder, library.path, sort=SORT, columns=DEFAULT_COLUMNS) is None


class Door:
    """Opens the library once it is let."""

    def __init__(self, library: Library, *errors: Exception) -> None:
        self.library = library
        self.errors = list(errors)
        self.let = threading.Event()
        self.opened = 0

    def open(self) -> Library:
        assert self.let.wait(30)
        self.opened += 1
        if self.errors:
            raise self.errors.pop(0)
        return self.library


def late_app(library, folder, door):
    keep_page(folder, library, sort=SORT, columns=DEFAULT_COLUMNS)
    kept = kept_page(folder, library.path, sort=SORT, columns=DEFAULT_COLUMNS)
    assert kept is not None
    return build_app(LateLibrary(library.path, zone=kept.zone, open_library=door.open), kept=kept)


async def shown(pilot, text: str) -> None:
    """Wait until something stands on screen."""
    for _ in range(1000):
        await pilot.pause(0.005)
        if text in screen_text(pilot.app):
            return
    raise AssertionError(screen_text(pilot.app))


async def test_the_kept_page_shows_before_the_library_is_open(library, folder):
    door = Door(library)
    app = late_app(library, folder, door)
    async with app.run_test(size=(80, 24)) as pilot:
        await shown(pilot, "4 of 4")
        assert "PB-01" in screen_text(app)
        assert door.opened == 0
        await pilot.press("down", "f3")
        door.let.set()
        await settle(pilot)
        assert isinstance(app.screen, DevicesScreen)
        await press(pilot, "escape")
        assert app.library is library
        assert door.opened == 1
        assert app.run_list.cursor == 1
        assert app.screen.glance.view.facts.run_id == app.run_list.run_id()


async def test_a_filter_typed_before_the_library_is_open_holds(library, folder):
    door = Door(library)
    app = late_app(library, folder, door)
    async with app.run_test(size=(80, 24)) as pilot:
        await shown(pilot, "4 of 4")
        await pilot.press("slash", *"run:2")
        door.let.set()
        await settle(pilot)
        assert "1 of 4" in screen_text(app)


async def test_a_library_that_cant_be_opened_is_told(library, folder):
    door = Door(library, CatalogueDamaged("The catalogue can't be read: try rebuild."))
    door.let.set()
    app = late_app(library, folder, door)
    async with app.run_test(size=(80, 24)) as pilot:
        await shown(pilot, "try rebuild")
        assert "PB-01" in screen_text(app)


async def test_a_busy_library_is_asked_again_until_it_answers(library, monkeypatch):
    """What is shown follows by itself, with no commit and no key in between."""
    monkeypatch.setattr(base, "FIRST_WAIT_S", 0.01)
    read, busy = RunStore.page, [LibraryBusy("Another process holds the library.")] * 3

    def page(self, *args, **options):
        if busy:
            raise busy.pop()
        return read(self, *args, **options)

    monkeypatch.setattr(RunStore, "page", page)
    app = build_app(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await shown(pilot, "4 of 4")
        assert not busy
        assert "Another process" not in screen_text(app)


async def test_a_newer_request_ends_the_asking(library, monkeypatch):
    """The filter that found the library busy is not read again once another one is typed."""
    monkeypatch.setattr(base, "FIRST_WAIT_S", 0.05)
    read, asked = RunStore.page, []

    def page(self, text="", **options):
        asked.append(text)
        if text == "run:1":
            raise LibraryBusy("Another process holds the library.")
        return read(self, text, **options)

    monkeypatch.setattr(RunStore, "page", page)
    app = build_app(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.screen.filter_input.put("run:1")
        await shown(pilot, "Another process")
        app.screen.filter_input.put("run:2")
        await settle(pilot)
        before = asked.count("run:1")
        await shown(pilot, "1 of 4")
        await pilot.pause(0.2)
        assert asked.count("run:1") == before
        assert "Another process" not in screen_text(app)


async def test_an_answer_is_not_taken_while_the_app_is_torn_down(tmp_path):
    """Places lose their parts one by one then: whoever looked for one would end in a traceback."""
    app, taken = app_on(make_store(tmp_path, 1)), []
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app._take_answer(lambda: taken.append("while it ran"))
    app._take_answer(lambda: taken.append("after"))
    assert taken == ["while it ran"]
