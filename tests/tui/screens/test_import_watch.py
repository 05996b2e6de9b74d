"""Import watches a folder: what is sure comes in by itself, what is not asks on screen, what changes is new."""

import pytest
from textual.widgets import Input

from store import Library
from store.imports.watched_folder import FolderWatch, Watcher
from tests.tui.harness import app_on, press, screen_text, settle
from tui.screens import imports
from tui.screens.imports import ImportScreen

SURE = "Time [s],Voltage [V],Current [A]\n" + "".join(f"{i},{20 + i % 3 / 1000:.3f},1.500\n" for i in range(40))
ASKS = "wann,a,b\n" + "".join(f"{i},{20 + i % 3 / 1000:.3f},{1.5 + i % 5 / 1000:.3f}\n" for i in range(40))


@pytest.fixture
def at_once(monkeypatch):
    """A file counts as settled at the first look; the looks are made by the test, not by a clock."""
    monkeypatch.setattr(imports, "FolderWatch", lambda folder: FolderWatch(folder, Watcher(0.0)))
    monkeypatch.setattr(imports, "LOOK_EVERY_S", 1e6)


async def watching(app, pilot, folder):
    """The import screen, watching a folder."""
    await settle(pilot)
    await press(pilot, "f5", "escape", "w")
    app.screen.query_one(Input).value = str(folder)
    await press(pilot, "enter")
    assert isinstance(app.screen, ImportScreen)


async def look(app, pilot):
    """One more look at the folder."""
    app.screen._look()
    await settle(pilot)


async def test_what_is_sure_comes_in_by_itself_and_what_is_not_asks(tmp_path, at_once):
    """Two files: one is imported without a key, the other waits for `a`."""
    library, folder = Library.open(tmp_path / "lib", create=True), tmp_path / "logs"
    folder.mkdir()
    app = app_on(library)
    async with app.run_test(size=(120, 40)) as pilot:
        await watching(app, pilot, folder)
        assert "watching" in screen_text(app)
        (folder / "sure.csv").write_text(SURE)
        (folder / "asks.csv").write_text(ASKS)
        await look(app, pilot)
        assert library.runs.page("").shown == 1
        text = screen_text(app)
        assert "imported as run 1" in text
        assert "question" in text
        await look(app, pilot)
        assert library.runs.page("").shown == 1


async def test_a_file_that_changed_is_looked_at_anew_and_the_key_ends_the_watch(tmp_path, at_once):
    """The meter went on writing: the longer log takes the shorter one's place; after `w` nothing more is taken."""
    library, folder = Library.open(tmp_path / "lib", create=True), tmp_path / "logs"
    folder.mkdir()
    app = app_on(library)
    async with app.run_test(size=(120, 40)) as pilot:
        await watching(app, pilot, folder)
        (folder / "log.csv").write_text(SURE)
        await look(app, pilot)
        (folder / "log.csv").write_text(SURE + "40,20.001,1.500\n41,20.002,1.500\n")
        await look(app, pilot)
        assert sorted(library.runs.page("").table.column("samples").to_pylist()) == [42]
        await press(pilot, "w")
        assert "watching /" not in screen_text(app)
        (folder / "late.csv").write_text(SURE.replace("1.500", "1.400"))
        await look(app, pilot)
        assert library.runs.page("").shown == 1


async def test_a_question_that_any_number_answers_takes_one(tmp_path):
    """Nothing in the file tells the interval: `a` asks for it, and what is typed is the answer."""
    library, file = Library.open(tmp_path / "lib", create=True), tmp_path / "asks.csv"
    file.write_text(ASKS)
    app = app_on(library)
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await press(pilot, "f5")
        app.screen.query_one(Input).value = str(file)
        await press(pilot, "enter")
        assert "How many seconds" in screen_text(app)
        await press(pilot, "a")
        app.screen.query_one(Input).value = "2"
        await press(pilot, "enter")
        text = screen_text(app)
        assert "How many seconds" not in text
        assert "2 questions: " in text  # what the letters a and b stand for is asked as well
