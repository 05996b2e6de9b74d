"""Lists longer than the screen, and long runs: the arrow keys move the cursor, what is read suffices."""

from __future__ import annotations

from tests.builders import add_run, make_run, make_store, write_export
from tests.tui.harness import app_on, press, screen_text, settle
from tui.screens import run as run_screen
from tui.state import fine_strips


async def test_an_arrow_moves_the_cursor_where_the_list_is_longer_than_the_screen(tmp_path):
    """The list scrolls only when the cursor comes to its edge; the glance follows."""
    app = app_on(make_store(tmp_path, runs=30, samples=60))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        for place in range(1, 25):
            await press(pilot, "down")
            assert app.run_list.cursor == place
            assert app.screen.glance.view.facts.run_id == app.run_list.run_id()
        await press(pilot, "pageup", "home", "pagedown", "end")
        assert app.run_list.cursor == 29
        assert app.screen.paged_list.first_on_screen == 30 - app.screen.paged_list.rows_on_screen


async def test_columns_that_are_chosen_later_are_read_then(tmp_path):
    app = app_on(make_store(tmp_path, runs=3, samples=60))
    async with app.run_test(size=(160, 45)) as pilot:
        await settle(pilot)
        app.run_list.choose_columns(("device", "samples", "charge_ah"))
        app.screen.read_list(stays=False)
        await settle(pilot)
        text = screen_text(app)
        assert "samples" in text
        assert " 60 " in text


async def test_a_long_run_zooms_without_reading_its_samples_again(tmp_path, monkeypatch):
    """Once its fine strips are there, a zoom asks the library for nothing, until it wants more than they hold."""
    monkeypatch.setattr(run_screen, "LONG", 1000)
    monkeypatch.setattr(run_screen, "FINE", 600)
    library = make_store(tmp_path, runs=0)
    add_run(library, write_export(tmp_path, "long.csv"), make_run(2400))
    asked = []
    strips = library.samples.strips
    monkeypatch.setattr(library.samples, "strips", lambda *a, **k: asked.append(a) or strips(*a, **k))
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, "enter")
        assert fine_strips.LONG > 2400
        first = len(asked)
        await press(pilot, "plus")
        assert len(asked) == first
        assert app.screen._strips.to_s - app.screen._strips.from_s < 1500
        await press(pilot, "plus", "plus", "plus")
        assert len(asked) > first
